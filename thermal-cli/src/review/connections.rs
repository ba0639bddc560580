//! The connections to the page: a bounded number at once, and none that keeps its place without asking anything.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;

/// A browser opens six connections to one place; more than some tables of them wait until others end.
const MOST: usize = 64;
/// So long may the head of a request take, and an open connection ask nothing.
const MAX_HEAD_TIME: Duration = Duration::from_secs(20);
/// Before the next try where the system has no more file handles.
const PAUSE: Duration = Duration::from_millis(200);

/// Serves for ever.
pub(super) async fn serve(listener: TcpListener, app: Router) {
    let places = Arc::new(Semaphore::new(MOST));
    // Never closed, so that a place is always to be had in the end.
    while let Ok(place) = Arc::clone(&places).acquire_owned().await {
        let Ok((stream, _)) = listener.accept().await else {
            tokio::time::sleep(PAUSE).await;
            continue;
        };
        let service = TowerToHyperService::new(app.clone());
        tokio::spawn(async move {
            let mut http = http1::Builder::new();
            http.timer(TokioTimer::new()).header_read_timeout(MAX_HEAD_TIME);
            // What ends a connection early is told to the asker by its end; others are not concerned.
            let _ = http.serve_connection(TokioIo::new(stream), service).await;
            drop(place);
        });
    }
}
