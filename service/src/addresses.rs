//! Where requests of this service may go: to hosts of the settings wherever these are, but to none that stands for the
//! machine itself or the one that it runs on; to a host that somebody else named only in the public network.
//!
//! A record system and an issuer are mostly in a private network, so private and loopback addresses are no fault of a
//! setting. Names are judged by what they resolve to, each time.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::sync::Arc;

use reqwest::dns::{Addrs, Name, Resolve, Resolving};
use url::{Host, Url};

/// Where the machines of a well-known cloud ask for their own credentials; the others use link-local addresses (memory).
const METADATA: Ipv6Addr = Ipv6Addr::new(0xfd00, 0xec2, 0, 0, 0, 0, 0, 0x254);

/// Whether no service is asked at this address: unspecified, multicast, broadcast, link-local (where clouds keep the
/// credentials of a machine), and the other place of such credentials.
#[must_use]
pub fn is_nobodys(address: IpAddr) -> bool {
    match address.to_canonical() {
        IpAddr::V4(address) => {
            address.is_link_local()
                || address.octets()[0] == 0
                || address.is_multicast()
                || address == Ipv4Addr::BROADCAST
        }
        IpAddr::V6(address) => {
            address.is_unspecified()
                || address.is_multicast()
                || address.is_unicast_link_local()
                || address == METADATA
        }
    }
}

/// Whether an address is in the public network (ranges: IANA special-purpose registries, RFC 6890).
fn is_public(address: IpAddr) -> bool {
    let address = address.to_canonical();
    !is_nobodys(address)
        && !address.is_loopback()
        && match address {
            IpAddr::V4(address) => {
                let [first, second, ..] = address.octets();
                // 100.64.0.0/10 is shared among the customers of a provider.
                let shared = first == 100 && (64..128).contains(&second);
                !address.is_private() && !shared
            }
            IpAddr::V6(address) => !address.is_unique_local(),
        }
}

/// The address that an URL names without a name.
fn literal(url: &Url) -> Option<IpAddr> {
    match url.host()? {
        Host::Ipv4(address) => Some(address.into()),
        Host::Ipv6(address) => Some(address.into()),
        Host::Domain(_) => None,
    }
}

/// Whether an URL of the settings names an address that no service is asked at.
#[must_use]
pub fn names_nobody(url: &Url) -> bool {
    literal(url).is_some_and(is_nobodys)
}

/// Looks names up and leaves out where requests may not go.
#[derive(Debug, Clone)]
pub struct Reachable {
    /// The hosts of the settings.
    named: Arc<[String]>,
}

impl Reachable {
    /// For these addresses of the settings.
    #[must_use]
    pub fn of<'u>(settings: impl IntoIterator<Item = &'u Url>) -> Reachable {
        Reachable { named: settings.into_iter().filter_map(Url::host_str).map(str::to_owned).collect() }
    }

    /// Whether a request may go there, as far as the URL tells by itself; what its name stands for is judged when it is
    /// looked up.
    #[must_use]
    pub fn allows(&self, url: &Url) -> bool {
        let host = url.host_str().unwrap_or_default();
        literal(url).is_none_or(|address| self.allows_at(host, address))
    }

    fn allows_at(&self, host: &str, address: IpAddr) -> bool {
        let named = self.named.iter().any(|named| named.eq_ignore_ascii_case(host));
        if named { !is_nobodys(address) } else { is_public(address) }
    }
}

impl Resolve for Reachable {
    fn resolve(&self, name: Name) -> Resolving {
        let reachable = self.clone();
        Box::pin(async move {
            let found = tokio::net::lookup_host((name.as_str(), 0)).await?;
            let allowed: Vec<SocketAddr> =
                found.filter(|address| reachable.allows_at(name.as_str(), address.ip())).collect();
            if allowed.is_empty() {
                tracing::warn!("a name leads only to addresses that requests are not sent to");
                return Err("no address that requests are sent to".into());
            }
            Ok(Box::new(allowed.into_iter()) as Addrs)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn url(host: &str) -> Url {
        Url::parse(&format!("https://{host}/fhir")).unwrap()
    }

    #[test]
    fn a_host_of_the_settings_may_be_private_and_may_not_be_nobodys() {
        for host in ["10.1.2.3", "127.0.0.1", "192.168.0.9", "[::1]", "[fd12::1]", "203.0.114.5"] {
            let url = url(host);
            assert!(!names_nobody(&url) && Reachable::of([&url]).allows(&url), "{host}");
        }
        for host in [
            "169.254.169.254",
            "[fe80::1]",
            "[::ffff:169.254.169.254]",
            "[fd00:ec2::254]",
            "0.0.0.0",
            "0.0.0.1",
            "[::]",
            "224.0.0.1",
            "[ff02::1]",
            "255.255.255.255",
            "0xa9fea9fe",
            "2852039166",
        ] {
            let url = url(host);
            assert!(names_nobody(&url) && !Reachable::of([&url]).allows(&url), "{host}");
        }
    }

    #[test]
    fn a_host_that_somebody_else_named_is_a_public_one() {
        let reachable = Reachable::of([&url("127.0.0.1"), &url("records.harbourlane.example")]);
        for host in ["127.0.0.2", "10.1.2.3", "172.16.0.1", "192.168.0.9", "100.64.0.1", "[::1]", "[fd12::1]"]
        {
            assert!(!reachable.allows(&url(host)), "{host}");
        }
        for host in ["127.0.0.1", "records.harbourlane.example", "8.8.8.8", "[2001:4860::1]"] {
            assert!(reachable.allows(&url(host)), "{host}");
        }
    }

    #[tokio::test]
    async fn a_name_is_judged_by_what_it_stands_for() {
        let name = || "localhost".parse::<Name>().unwrap();
        assert!(Reachable::of([&url("localhost")]).resolve(name()).await.is_ok());
        assert!(Reachable::of([&url("records.harbourlane.example")]).resolve(name()).await.is_err());
    }
}
