//! Taking connections: how many, how patiently, and what is noted of each
//! request.

use std::collections::HashMap;
use std::future::Future;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::body::Body;
use axum::extract::{ConnectInfo, MatchedPath, Request};
use axum::http::Response;
use hyper::body::Incoming;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;
use tower::ServiceExt;
use tracing::Span;

use super::peers::Peers;
use super::{App, router};

/// How long a sender may say nothing in the middle of a request's body.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// What one listener bears.
#[derive(Debug, Clone, Copy)]
pub struct Bounds {
    /// How long a connection may take to send a request's head, its idle time
    /// before it included; longer than a proxy keeps an idle one.
    pub head: Duration,
    /// How long requests under way are waited for at the end.
    pub farewell: Duration,
    /// Connections at once; further ones wait at the door.
    pub connections: usize,
    /// Connections at once from one address that is not this machine, nor a proxy
    /// that was named.
    pub of_one: usize,
}

impl Default for Bounds {
    fn default() -> Self {
        Self {
            head: Duration::from_secs(75),
            farewell: Duration::from_secs(80),
            connections: 512,
            of_one: 64,
        }
    }
}

/// Counts the connections of each address.
#[derive(Debug, Clone, Default)]
struct Doorkeeper {
    of_one: usize,
    peers: Peers,
    all: Arc<Mutex<HashMap<IpAddr, usize>>>,
}

/// One counted connection; given back when dropped.
struct Counted {
    keeper: Doorkeeper,
    from: IpAddr,
}

impl Doorkeeper {
    fn admit(&self, from: IpAddr) -> Option<Counted> {
        // Only counters: after a panic elsewhere they still serve.
        let mut all = self.all.lock().unwrap_or_else(PoisonError::into_inner);
        let count = all.entry(from).or_default();
        if *count >= self.of_one && !from.is_loopback() && !self.peers.trusts(from) {
            return None;
        }
        *count += 1;
        Some(Counted {
            keeper: self.clone(),
            from,
        })
    }
}

impl Drop for Counted {
    fn drop(&mut self) {
        let mut all = self
            .keeper
            .all
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = all.get_mut(&self.from) {
            *count -= 1;
            if *count == 0 {
                all.remove(&self.from);
            }
        }
    }
}

/// Serves until `stop` resolves, then lets requests under way finish.
///
/// # Errors
/// None as things are; a connection that cannot be taken is noted and left.
pub async fn serve(
    app: App,
    listener: TcpListener,
    bounds: Bounds,
    stop: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    let router = router(&app);
    let graceful = GracefulShutdown::new();
    let seats = Arc::new(Semaphore::new(bounds.connections));
    let keeper = Doorkeeper {
        of_one: bounds.of_one,
        peers: app.peers.clone(),
        all: Arc::default(),
    };
    let mut http = hyper::server::conn::http1::Builder::new();
    http.timer(TokioTimer::new())
        .header_read_timeout(bounds.head)
        // Heads of requests, and how much of a body is read ahead of its use.
        .max_buf_size(64 * 1024);
    tokio::pin!(stop);
    loop {
        let next = async {
            let seat = seats.clone().acquire_owned().await;
            (seat, listener.accept().await)
        };
        let (seat, taken) = tokio::select! {
            () = &mut stop => break,
            next = next => next,
        };
        let (stream, from): (_, SocketAddr) = match taken {
            Ok(taken) => taken,
            Err(error) => {
                // Out of file handles, say: others may be given back soon.
                tracing::warn!(%error, "a connection could not be taken");
                tokio::time::sleep(Duration::from_millis(50)).await;
                continue;
            }
        };
        let Some(counted) = keeper.admit(from.ip()) else {
            continue;
        };
        if let Err(error) = stream.set_nodelay(true) {
            tracing::debug!(%error, "a connection's delay stays as it is");
        }
        let router = router.clone();
        let answer = hyper::service::service_fn(move |request: Request<Incoming>| {
            let mut request = request.map(Body::new);
            request.extensions_mut().insert(ConnectInfo(from));
            router.clone().oneshot(request)
        });
        let connection = graceful.watch(http.serve_connection(TokioIo::new(stream), answer));
        tokio::spawn(async move {
            if let Err(error) = connection.await {
                tracing::debug!(%error, "a connection broke off");
            }
            drop((seat, counted));
        });
    }
    drop(listener);
    tokio::select! {
        () = graceful.shutdown() => {}
        () = tokio::time::sleep(bounds.farewell) => {
            tracing::warn!("some requests did not end in time and are cut off");
        }
    }
    Ok(())
}

/// What a request is called in the log: its method and the pattern of its
/// route. Addresses, tags, names and whatever else a person typed stay out.
pub fn span(request: &Request) -> Span {
    let route = request
        .extensions()
        .get::<MatchedPath>()
        .map_or("none", MatchedPath::as_str);
    tracing::info_span!(
        "request",
        id = %uuid::Uuid::new_v4().simple(),
        method = %request.method(),
        route
    )
}

/// Notes how a request ended.
pub fn answered<B>(response: &Response<B>, took: Duration, _: &Span) {
    let status = response.status().as_u16();
    let ms = u64::try_from(took.as_millis()).unwrap_or(u64::MAX);
    if response.status().is_server_error() {
        tracing::warn!(status, ms, "answered");
    } else {
        tracing::info!(status, ms, "answered");
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn one_address_takes_only_so_many_connections_and_gives_them_back() {
        let keeper = Doorkeeper {
            of_one: 3,
            peers: Peers::new(&["198.51.100.0/24".parse().unwrap()], None),
            all: Arc::default(),
        };
        let from = IpAddr::from([192, 0, 2, 7]);
        let mut held: Vec<_> = (0..3).map(|_| keeper.admit(from)).collect();
        assert!(held.iter().all(Option::is_some));
        assert!(keeper.admit(from).is_none());
        assert!(keeper.admit(IpAddr::from([192, 0, 2, 8])).is_some());
        held.pop();
        assert!(keeper.admit(from).is_some());
        let here = IpAddr::from([127, 0, 0, 1]);
        let all: Vec<_> = (0..30).map(|_| keeper.admit(here)).collect();
        assert!(all.iter().all(Option::is_some));
        let proxy = IpAddr::from([198, 51, 100, 1]);
        let all: Vec<_> = (0..30).map(|_| keeper.admit(proxy)).collect();
        assert!(all.iter().all(Option::is_some));
    }
}
