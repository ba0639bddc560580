//! Who may come in: this computer's own page with its key, nobody else. A page of another origin is kept out by the key
//! (it cannot know it), by `Host` (a name that was turned to this address) and by `Origin`.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::extract::{DefaultBodyLimit, Request};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};

/// Largest request body, bytes; a decision takes a few hundred.
const MAX_BODY: usize = 32 * 1024;
/// A request that takes longer is dropped.
const MAX_TIME: Duration = Duration::from_secs(20);
const KEY: &str = "x-review-token";
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; \
    connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// 128 random bits as hexadecimal digits.
pub(super) fn token() -> Result<String, getrandom::Error> {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes)?;
    Ok(bytes.iter().fold(String::new(), |text, byte| text + &format!("{byte:02x}")))
}

/// The routes behind the checks.
pub(super) fn guarded(routes: Router, port: u16, token: &str) -> Router {
    let token: Arc<str> = token.into();
    routes.layer(DefaultBodyLimit::max(MAX_BODY)).layer(middleware::from_fn(move |request: Request, next: Next| {
        let token = Arc::clone(&token);
        async move {
            let mut answer = match refusal(&request, port, &token) {
                Some((status, reason)) => refuse(status, reason),
                None => match tokio::time::timeout(MAX_TIME, next.run(request)).await {
                    Ok(answer) => answer,
                    Err(_) => refuse(StatusCode::REQUEST_TIMEOUT, "the request took too long"),
                },
            };
            let headers = answer.headers_mut();
            for (name, value) in [
                ("content-security-policy", POLICY),
                ("x-content-type-options", "nosniff"),
                ("referrer-policy", "no-referrer"),
                ("cross-origin-resource-policy", "same-origin"),
                ("cross-origin-opener-policy", "same-origin"),
                ("cache-control", "no-store"),
            ] {
                headers.insert(name, HeaderValue::from_static(value));
            }
            answer
        }
    }))
}

/// An error as the page reads it.
pub(super) fn refuse(status: StatusCode, reason: impl Into<String>) -> Response {
    let body = serde_json::json!({ "error": reason.into() }).to_string();
    (status, [(header::CONTENT_TYPE, "application/json")], Body::from(body)).into_response()
}

/// Why a request is not let in.
fn refusal(request: &Request, port: u16, token: &str) -> Option<(StatusCode, &'static str)> {
    let headers = request.headers();
    let own = |text: &str| text == format!("127.0.0.1:{port}") || text == format!("localhost:{port}");
    if !one(headers, header::HOST.as_str()).is_some_and(own) {
        return Some((StatusCode::MISDIRECTED_REQUEST, "this is not the address that `thermal review` printed"));
    }
    let origin = headers.contains_key(header::ORIGIN);
    if origin && !one(headers, header::ORIGIN.as_str()).and_then(|o| o.strip_prefix("http://")).is_some_and(own) {
        return Some((StatusCode::FORBIDDEN, "a page of another origin has no business here"));
    }
    if headers.get("sec-fetch-site").is_some_and(|v| v == "cross-site" || v == "same-site")
        && request.uri().path() != "/"
    {
        return Some((StatusCode::FORBIDDEN, "a page of another origin has no business here"));
    }
    if !matches!(*request.method(), Method::GET | Method::POST) {
        return Some((StatusCode::METHOD_NOT_ALLOWED, "only GET and POST"));
    }
    // Page, style and script hold no data; everything else needs the key.
    if matches!(request.uri().path(), "/" | "/page.css" | "/page.js") && *request.method() == Method::GET {
        return None;
    }
    let known = one(headers, KEY).is_some_and(|given| same(given.as_bytes(), token.as_bytes()));
    (!known).then_some((
        StatusCode::UNAUTHORIZED,
        "the key is missing or wrong: use the address that `thermal review` printed last",
    ))
}

/// The value of a header that is there exactly once.
fn one<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let mut values = headers.get_all(name).iter();
    let value = values.next()?.to_str().ok()?;
    values.next().is_none().then_some(value)
}

/// Compares without telling by its time where the first difference is.
fn same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).fold(0, |sum, (x, y)| sum | (x ^ y)) == 0
}
