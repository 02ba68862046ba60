//! What is answered: the page, its changes as a stream, and the figures. Only looking is possible.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::{Request, State};
use axum::http::header::{
    ALLOW, CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE, HeaderName, HeaderValue, LOCATION,
    REFERRER_POLICY, SET_COOKIE, WWW_AUTHENTICATE, X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS,
};
use axum::http::{HeaderMap, Method, StatusCode};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use futures_util::stream::unfold;
use serde::Serialize;
use tokio::sync::{Semaphore, watch};
use tokio::time::{Instant, timeout_at};

use super::door::{Leave, drawn};
use super::{Door, Painted};
use crate::report::live_page;

/// A stream of changes lasts so long; then the browser asks for the next. So one that nobody reads any more
/// takes no place for long.
pub(super) const STREAM: Duration = Duration::from_secs(600);
/// A sign of life so often: what lies between drops connections that are silent.
const BEAT: Duration = Duration::from_secs(15);
/// A browser that lost the stream asks again after so long.
const RETRY: Duration = Duration::from_secs(2);
/// The media type of OpenMetrics 1.0.0.
const OPEN_METRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";
/// What a document that is none may use.
const NOTHING: &str = "default-src 'none'; frame-ancestors 'none'";

/// Streams at a time.
pub(super) const STREAMS: usize = 64;

type Pictures = watch::Receiver<Arc<Painted>>;

/// What answers are made of.
#[derive(Clone)]
struct Shown {
    pictures: Pictures,
    /// Room for streams.
    room: Arc<Semaphore>,
}

/// All that is answered to those whom `door` lets in.
pub(super) fn routes(door: Door, pictures: Pictures) -> Router {
    let nowhere = || async { (StatusCode::NOT_FOUND, "there is nothing here\n") };
    Router::new()
        .route("/", get(page))
        .route("/changes", get(changes))
        .route("/metrics", get(metrics))
        .fallback(nowhere)
        .layer(from_fn_with_state(door, guard))
        .with_state(Shown {
            pictures,
            room: Arc::new(Semaphore::new(STREAMS)),
        })
}

/// Lets in who may look, and gives every answer the headers that keep it to itself.
async fn guard(State(door): State<Door>, request: Request, next: Next) -> Response {
    let (parts, body) = request.into_parts();
    let mut response = if !matches!(parts.method, Method::GET | Method::HEAD) {
        let told = "this page only tells: nothing can be changed here\n";
        (StatusCode::METHOD_NOT_ALLOWED, [(ALLOW, "GET, HEAD")], told).into_response()
    } else {
        match door.leave(&parts) {
            Leave::Look => next.run(Request::from_parts(parts, body)).await,
            Leave::Keep(cookie) => {
                // A path of the asker's own could lead elsewhere.
                let path = match parts.uri.path() {
                    "/metrics" => "/metrics",
                    _ => "/",
                };
                let headers = [(LOCATION, path.to_owned()), (SET_COOKIE, cookie)];
                (StatusCode::SEE_OTHER, headers).into_response()
            }
            Leave::WrongHost => {
                let told =
                    "this page answers to its own address only: open it as the watch has told\n";
                (StatusCode::MISDIRECTED_REQUEST, told).into_response()
            }
            Leave::NoToken => {
                let told = "this page is for those who have the token of the watch: open it with ?token=TOKEN, or send `Authorization: Bearer TOKEN`\n";
                let asks = [(WWW_AUTHENTICATE, "Bearer")];
                (StatusCode::UNAUTHORIZED, asks, told).into_response()
            }
        }
    };
    keep_apart(response.headers_mut());
    response
}

/// No frames around it, no copies of it, no trace of where it was, no use of it by pages from elsewhere.
fn keep_apart(headers: &mut HeaderMap) {
    let mut put = |name: HeaderName, value| {
        headers.insert(name, HeaderValue::from_static(value));
    };
    put(X_FRAME_OPTIONS, "DENY");
    put(X_CONTENT_TYPE_OPTIONS, "nosniff");
    put(REFERRER_POLICY, "no-referrer");
    put(CACHE_CONTROL, "no-store");
    put(
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    );
    put(
        HeaderName::from_static("cross-origin-opener-policy"),
        "same-origin",
    );
    headers
        .entry(CONTENT_SECURITY_POLICY)
        .or_insert(HeaderValue::from_static(NOTHING));
}

fn latest(shown: &Shown) -> Arc<Painted> {
    Arc::clone(&shown.pictures.borrow())
}

async fn page(State(shown): State<Shown>) -> Response {
    let Ok(nonce) = drawn() else {
        let told = "the system gives no chance just now: try again\n";
        return (StatusCode::SERVICE_UNAVAILABLE, told).into_response();
    };
    let picture = latest(&shown);
    let policy = format!(
        "default-src 'none'; script-src 'nonce-{nonce}'; style-src 'nonce-{nonce}'; img-src data:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    );
    let headers = [
        (CONTENT_TYPE, "text/html; charset=utf-8".to_owned()),
        (CONTENT_SECURITY_POLICY, policy),
    ];
    let document = live_page(&picture.title, &picture.main, &nonce, picture.again);
    (headers, document).into_response()
}

async fn metrics(State(shown): State<Shown>) -> Response {
    let text = latest(&shown).metrics.clone();
    ([(CONTENT_TYPE, OPEN_METRICS)], text).into_response()
}

/// A change, as the script reads it.
#[derive(Serialize)]
struct Change<'a> {
    title: &'a str,
    main: &'a str,
    over: bool,
}

/// The picture of now, then each that follows. A browser that is slow misses some and never the latest.
async fn changes(State(shown): State<Shown>) -> Response {
    let Ok(place) = shown.room.try_acquire_owned() else {
        let told = "too many browsers look at this page: try again later\n";
        return (StatusCode::SERVICE_UNAVAILABLE, told).into_response();
    };
    let mut pictures = shown.pictures;
    pictures.mark_changed();
    let until = Instant::now() + STREAM;
    // The place is taken for as long as the stream lives.
    let stream = unfold(Some((pictures, place)), move |state| async move {
        let (mut pictures, place) = state?;
        let (event, rest) = match timeout_at(until, pictures.changed()).await {
            Ok(Ok(())) => {
                let picture = Arc::clone(&pictures.borrow_and_update());
                let change = Change {
                    title: &picture.title,
                    main: &picture.main,
                    over: picture.over,
                };
                let change = serde_json::to_string(&change).expect("texts make JSON");
                let rest = (!picture.over).then_some((pictures, place));
                (Event::default().retry(RETRY).data(change), rest)
            }
            // Nothing will follow, and nobody said so: what was painted last was not the end.
            Ok(Err(_)) => return None,
            Err(_) => (Event::default().event("again").data("again"), None),
        };
        Some((Ok::<_, Infallible>(event), rest))
    });
    let kept = KeepAlive::new().interval(BEAT);
    Sse::new(stream).keep_alive(kept).into_response()
}
