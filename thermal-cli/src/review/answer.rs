//! The routes of the page: what is asked, and the answer.

use std::sync::Arc;

use axum::Router;
use axum::body::Bytes;
use axum::extract::{Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use serde::Deserialize;
use serde_json::Value;
use thermal_core::Error;

use super::desk::Desk;
use super::door::refuse;

type Shared = State<Arc<Desk>>;

#[derive(Deserialize)]
struct Id {
    id: String,
}

#[derive(Deserialize)]
struct Name {
    name: String,
}

#[derive(Deserialize)]
struct Frame {
    frame: String,
}

#[derive(Deserialize)]
struct Since {
    since: u64,
}

pub(super) fn routes(desk: Desk) -> Router {
    Router::new()
        .route("/", get(|| async { text("text/html; charset=utf-8", include_str!("page.html")) }))
        .route("/page.css", get(|| async { text("text/css; charset=utf-8", include_str!("page.css")) }))
        .route("/page.js", get(|| async { text("text/javascript; charset=utf-8", include_str!("page.js")) }))
        .route("/api/start", get(|State(desk): Shared| async move { json(&desk.start()) }))
        .route("/api/plan", get(|State(desk): Shared| async move { json(&desk.plan()) }))
        .route("/api/finding", get(finding))
        .route(
            "/api/outlines",
            get(|State(desk): Shared, Query(ask): Query<Frame>| async move { json(&desk.outlines(&ask.frame)) }),
        )
        .route(
            "/api/state",
            get(|State(desk): Shared, Query(ask): Query<Since>| async move { json(&desk.state(ask.since)) }),
        )
        .route("/api/frame", get(frame))
        .route("/api/evidence", get(evidence))
        .route("/api/decide", post(decide))
        .route("/api/add", post(add))
        .fallback(|| async { refuse(StatusCode::NOT_FOUND, "there is nothing of this name") })
        .with_state(Arc::new(desk))
}

fn text(kind: &'static str, body: &'static str) -> Response {
    ([(header::CONTENT_TYPE, kind)], body).into_response()
}

fn json(value: &Value) -> Response {
    ([(header::CONTENT_TYPE, "application/json")], value.to_string()).into_response()
}

/// An error of the library: what the asker can mend, or what the disk refused.
fn failed(error: &Error) -> Response {
    let status = match error {
        Error::Argument { .. } => StatusCode::BAD_REQUEST,
        _ => StatusCode::INTERNAL_SERVER_ERROR,
    };
    refuse(status, error.to_string())
}

async fn finding(State(desk): Shared, Query(ask): Query<Id>) -> Response {
    desk.finding(&ask.id).map_or_else(|| refuse(StatusCode::NOT_FOUND, "the run has no such finding"), |v| json(&v))
}

/// Frames are decoded beside the thread that answers.
async fn frame(State(desk): Shared, Query(ask): Query<Name>) -> Response {
    match tokio::task::spawn_blocking(move || desk.frame(&ask.name)).await {
        Ok(Ok(Some(bytes))) => {
            ([(header::CONTENT_TYPE, "application/octet-stream")], bytes.as_ref().clone()).into_response()
        }
        Ok(Ok(None)) => refuse(StatusCode::NOT_FOUND, "the inspection folder has no such frame"),
        Ok(Err(error)) => failed(&error),
        Err(error) => refuse(StatusCode::INTERNAL_SERVER_ERROR, error.to_string()),
    }
}

async fn evidence(State(desk): Shared, Query(ask): Query<Id>) -> Response {
    match desk.evidence(&ask.id) {
        Some(bytes) => ([(header::CONTENT_TYPE, "image/png")], bytes).into_response(),
        None => refuse(StatusCode::NOT_FOUND, "there is no picture of this finding"),
    }
}

/// The body as JSON; anything else is refused, so that no plain form of another page gets in.
fn body<T: for<'a> Deserialize<'a>>(headers: &axum::http::HeaderMap, bytes: &Bytes) -> Result<T, Box<Response>> {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    if kind != "application/json" {
        return Err(Box::new(refuse(StatusCode::UNSUPPORTED_MEDIA_TYPE, "the body must be JSON")));
    }
    serde_json::from_slice(bytes).map_err(|e| Box::new(refuse(StatusCode::BAD_REQUEST, e.to_string())))
}

async fn decide(State(desk): Shared, headers: axum::http::HeaderMap, bytes: Bytes) -> Response {
    let request = match body(&headers, &bytes) {
        Ok(request) => request,
        Err(refused) => return *refused,
    };
    match tokio::task::spawn_blocking(move || desk.decide(&request)).await {
        Ok(Ok((Some(_), state))) => json(&state),
        Ok(Ok((None, state))) => (StatusCode::CONFLICT, json(&state)).into_response(),
        Ok(Err(error)) => failed(&error),
        Err(error) => refuse(StatusCode::INTERNAL_SERVER_ERROR, error.to_string()),
    }
}

async fn add(State(desk): Shared, headers: axum::http::HeaderMap, bytes: Bytes) -> Response {
    let addition = match body(&headers, &bytes) {
        Ok(addition) => addition,
        Err(refused) => return *refused,
    };
    match tokio::task::spawn_blocking(move || desk.add(addition)).await {
        Ok(Ok(state)) => json(&state),
        Ok(Err(error)) => failed(&error),
        Err(error) => refuse(StatusCode::INTERNAL_SERVER_ERROR, error.to_string()),
    }
}
