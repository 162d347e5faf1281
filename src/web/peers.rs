//! Where a request comes from. Behind a proxy that was named (`--trusted-proxy`),
//! the address it saw; a list that anybody else sends counts for nothing.

use std::net::{IpAddr, Ipv6Addr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use axum::extract::{ConnectInfo, Request};
use axum::http::{HeaderMap, header};
use ipnet::IpNet;
use subtle::ConstantTimeEq;

use super::App;

/// The proxies that were named, and who may read the counters.
#[derive(Debug, Clone, Default)]
pub struct Peers {
    /// Networks whose word on the address before them counts.
    pub proxies: Arc<[IpNet]>,
    /// What opens `/metrics` to others than this machine.
    pub metrics_token: Option<Arc<str>>,
    warned: Arc<AtomicBool>,
}

impl Peers {
    /// These proxies, this token.
    pub fn new(proxies: &[IpNet], metrics_token: Option<&str>) -> Self {
        Self {
            proxies: proxies.into(),
            metrics_token: metrics_token.map(Into::into),
            warned: Arc::default(),
        }
    }

    /// Whether this peer was named.
    pub fn trusts(&self, peer: IpAddr) -> bool {
        let peer = peer.to_canonical();
        self.proxies.iter().any(|net| net.contains(&peer))
    }

    /// Whether these headers carry the token.
    pub fn opens_metrics(&self, headers: &HeaderMap) -> bool {
        let Some(token) = &self.metrics_token else {
            return false;
        };
        headers
            .get(header::AUTHORIZATION)
            .and_then(|v| v.to_str().ok())
            .and_then(|v| v.split_once(' '))
            .is_some_and(|(scheme, given)| {
                scheme.eq_ignore_ascii_case("bearer")
                    && bool::from(given.trim().as_bytes().ct_eq(token.as_bytes()))
            })
    }
}

/// One address or a network, as `--trusted-proxy` takes it.
///
/// # Errors
/// What is wrong with it.
pub fn network(typed: &str) -> Result<IpNet, String> {
    let typed = typed.trim();
    typed
        .parse()
        .or_else(|_| typed.parse::<IpAddr>().map(IpNet::from))
        .map_err(|_| format!("{typed} is no address and no network; give one like 127.0.0.1, ::1 or 172.18.0.0/16"))
}

/// Where a request comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Client {
    /// The address.
    pub address: String,
    /// By which tries are counted: the address, of IPv6 its /64, which one house has.
    pub network: String,
    /// Whether it came from this machine, and no proxy speaks in it.
    pub local: bool,
}

/// Headers by which proxies say that they hand something on.
const HANDED_ON: [&str; 4] = ["forwarded", "x-forwarded-for", "x-real-ip", "via"];

/// Where this request comes from.
pub fn client(app: &App, request: &Request) -> Client {
    let headers = request.headers();
    let peer = request
        .extensions()
        .get::<ConnectInfo<SocketAddr>>()
        .map(|c| c.0.ip().to_canonical());
    let handed_on = HANDED_ON.iter().any(|name| headers.contains_key(*name));
    let address = peer.map(|peer| first_untrusted(&app.peers, peer, headers));
    if headers.contains_key("x-forwarded-for")
        && peer.is_some_and(|peer| !app.peers.trusts(peer))
        && !app.peers.warned.swap(true, Ordering::Relaxed)
    {
        tracing::warn!(
            "X-Forwarded-For from a peer that --trusted-proxy does not name is passed over; behind a proxy of yours all visitors then count as one"
        );
    }
    Client {
        address: address.map_or_else(|| "unknown".to_owned(), |a| a.to_string()),
        network: address.map_or_else(|| "unknown".to_owned(), |a| counted_as(a).to_string()),
        local: peer.is_some_and(|peer| peer.is_loopback()) && !handed_on && host_is_local(headers),
    }
}

/// From the peer leftwards through the list, the first that was not named; what
/// stands further left, anybody may have written.
///
/// Several lines of one header are one list, in their order (RFC 9110, 5.3).
fn first_untrusted(peers: &Peers, peer: IpAddr, headers: &HeaderMap) -> IpAddr {
    let lines: Vec<&str> = headers
        .get_all("x-forwarded-for")
        .iter()
        .map(|v| v.to_str().unwrap_or("not text"))
        .collect();
    let list = lines.join(",");
    let mut hops = list
        .rsplit(',')
        .map(str::trim)
        .filter(|hop| !hop.is_empty());
    let mut at = peer;
    while peers.trusts(at) {
        match hops.next().and_then(address_of) {
            Some(before) => at = before,
            None => break,
        }
    }
    at
}

/// An address, perhaps with the port it came from.
fn address_of(hop: &str) -> Option<IpAddr> {
    let bare = hop.strip_prefix('[').and_then(|h| h.strip_suffix(']'));
    bare.unwrap_or(hop)
        .parse::<IpAddr>()
        .ok()
        .or_else(|| hop.parse::<SocketAddr>().ok().map(|a| a.ip()))
        .map(|ip| ip.to_canonical())
}

fn counted_as(address: IpAddr) -> IpAddr {
    match address {
        IpAddr::V6(v6) => {
            let [a, b, c, d, ..] = v6.segments();
            IpAddr::V6(Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
        }
        v4 => v4,
    }
}

/// A proxy hands on the name that its visitor asked for, so a request that asks
/// for another name than this machine's was not made here.
fn host_is_local(headers: &HeaderMap) -> bool {
    let host = headers.get(header::HOST).and_then(|v| v.to_str().ok());
    host.is_some_and(|host| {
        let name = host
            .rsplit_once(':')
            .filter(|(_, port)| port.bytes().all(|b| b.is_ascii_digit()))
            .map_or(host, |(name, _)| name);
        name == "localhost" || address_of(name).is_some_and(|ip| ip.is_loopback())
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn seen(proxies: &[&str], peer: &str, lines: &[&str]) -> String {
        let proxies: Vec<IpNet> = proxies.iter().map(|p| network(p).unwrap()).collect();
        let mut headers = HeaderMap::new();
        for line in lines {
            headers.append("x-forwarded-for", line.parse().unwrap());
        }
        first_untrusted(&Peers::new(&proxies, None), peer.parse().unwrap(), &headers).to_string()
    }

    #[test]
    fn an_address_is_believed_from_the_right_and_from_named_peers_only() {
        let one = ["127.0.0.1"];
        // Nobody was named: the peer itself.
        assert_eq!(seen(&[], "127.0.0.1", &["192.0.2.1"]), "127.0.0.1");
        assert_eq!(seen(&one, "203.0.113.9", &["192.0.2.1"]), "203.0.113.9");
        assert_eq!(seen(&one, "127.0.0.1", &["192.0.2.1"]), "192.0.2.1");
        // What the visitor wrote stands left of what the proxy saw.
        let made_up = ["10.9.9.9, 192.0.2.1"];
        assert_eq!(seen(&one, "127.0.0.1", &made_up), "192.0.2.1");
        // RFC 9110, 5.3: two lines are one list, the second right of the first.
        let two = ["10.9.9.9", "192.0.2.1"];
        assert_eq!(seen(&one, "127.0.0.1", &two), "192.0.2.1");
        // A proxy behind a proxy, both named; a container's network as a whole.
        let both = ["172.18.0.0/16", "198.51.100.7"];
        let chain = ["192.0.2.1, 198.51.100.7"];
        assert_eq!(seen(&both, "172.18.0.1", &chain), "192.0.2.1");
        assert_eq!(
            seen(&["172.18.0.0/16"], "172.18.0.1", &chain),
            "198.51.100.7"
        );
        // Ports, IPv6, empty elements (RFC 9110, 5.6.1), and what is no address.
        assert_eq!(seen(&one, "127.0.0.1", &["192.0.2.1:5000, ,"]), "192.0.2.1");
        assert_eq!(
            seen(&one, "127.0.0.1", &["[2001:db8::7]:443"]),
            "2001:db8::7"
        );
        assert_eq!(
            seen(&one, "127.0.0.1", &["192.0.2.1, unknown"]),
            "127.0.0.1"
        );
        assert_eq!(seen(&one, "::ffff:127.0.0.1", &["192.0.2.1"]), "192.0.2.1");
    }

    #[test]
    fn a_house_of_ipv6_counts_as_one() {
        let of = |text: &str| counted_as(text.parse().unwrap()).to_string();
        assert_eq!(of("2001:db8:1:2:3:4:5:6"), "2001:db8:1:2::");
        assert_eq!(of("192.0.2.7"), "192.0.2.7");
    }

    #[test]
    fn another_machines_name_is_not_this_machine() {
        let local = |host: &str| {
            let mut headers = HeaderMap::new();
            headers.insert(header::HOST, host.parse().unwrap());
            host_is_local(&headers)
        };
        for host in [
            "localhost:8017",
            "127.0.0.1",
            "127.0.0.1:8017",
            "[::1]:8017",
        ] {
            assert!(local(host), "{host}");
        }
        for host in [
            "scopes.example.org",
            "127.0.0.1.example.org",
            "localhost.example",
        ] {
            assert!(!local(host), "{host}");
        }
    }
}
