//! Takes connections, few and each for a known time, so that a browser that hangs takes nothing from the
//! watch.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::{sleep, timeout};

use super::routes::{STREAM, STREAMS, routes};
use super::{Door, Painted};

/// Connections at a time; those beyond are closed at once.
const MOST: usize = 2 * STREAMS;
/// A request has to be there within so long.
const ASKING: Duration = Duration::from_secs(10);
/// No connection lasts longer: a stream, and its last event.
const LONGEST: Duration = STREAM.saturating_add(Duration::from_secs(30));
/// After the end, what is under way gets so long.
const ENDING: Duration = Duration::from_secs(2);
/// Bytes of a request at most.
const REQUEST: usize = 16 << 10;
/// When the system has no room for a connection, the next is taken after so long.
const PAUSE: Duration = Duration::from_millis(200);

/// Serves the page to whom `door` lets in, until nothing more is painted.
pub async fn serve(listener: TcpListener, door: Door, pictures: watch::Receiver<Arc<Painted>>) {
    let router = routes(door, pictures.clone());
    let mut over = pictures;
    let mut connections = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            () = ended(&mut over) => break,
        };
        while connections.try_join_next().is_some() {}
        match accepted {
            Ok((stream, _)) if connections.len() >= MOST => drop(stream),
            Ok(taken) => drop(connections.spawn(connection(taken, router.clone()))),
            Err(_) => sleep(PAUSE).await,
        }
    }
    // Streams have been told that nothing follows.
    drop(
        timeout(ENDING, async {
            while connections.join_next().await.is_some() {}
        })
        .await,
    );
    connections.abort_all();
}

/// Waits until nothing more is painted.
async fn ended(pictures: &mut watch::Receiver<Arc<Painted>>) {
    while pictures.changed().await.is_ok() {}
}

/// One request and its answer.
async fn connection((stream, _): (TcpStream, SocketAddr), router: Router) {
    let answered = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(ASKING)
        .keep_alive(false)
        .max_buf_size(REQUEST)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(router));
    // Whoever went away, or asked nonsense, is nobody's trouble.
    drop(timeout(LONGEST, answered).await);
}
