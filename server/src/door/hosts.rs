//! The names this server answers to, and the origins that are its own.
//!
//! A page of another site can have its own name lead to this machine (DNS rebinding); the browser then takes both for one
//! site, and only the `Host` line tells. An address in digits cannot be made to lead elsewhere. So with a server on every
//! address of its machine any address is its name, while names must be set.

use std::net::{IpAddr, SocketAddr};
use std::str::FromStr;

use http::uri::Authority;

/// A name as a `Host` line has it.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Name {
    Address(IpAddr),
    Text(String),
}

/// Port of a host that was set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Port {
    /// None, or the one that is listened on.
    Usual,
    Only(u16),
    Any,
}

/// A host this server answers to beside its own address: `host`, `host:port` or `host:*`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Named {
    name: Name,
    port: Port,
}

/// Name and port of an authority (RFC 3986, 3.2) without a user.
fn read(text: &str) -> Option<(Name, Option<u16>)> {
    let authority: Authority = text.parse().ok()?;
    let host = authority.host();
    let port = match text.strip_prefix(host)? {
        "" => None,
        rest => {
            let digits = rest.strip_prefix(':').filter(|digits| digits.bytes().all(|b| b.is_ascii_digit()))?;
            Some(digits.parse().ok()?)
        }
    };
    let bare = host.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')).unwrap_or(host);
    let name = match bare.parse::<IpAddr>() {
        Ok(address) => Name::Address(address.to_canonical()),
        Err(_) => Name::Text(host.strip_suffix('.').unwrap_or(host).to_ascii_lowercase()),
    };
    let plain = |c: u8| c.is_ascii_alphanumeric() || b"-._".contains(&c);
    match &name {
        Name::Text(text) if text.is_empty() || !text.bytes().all(plain) => None,
        _ => Some((name, port)),
    }
}

impl FromStr for Named {
    type Err = String;

    fn from_str(text: &str) -> Result<Named, String> {
        let (host, any) = match text.strip_suffix(":*") {
            Some(host) => (host, true),
            None => (text, false),
        };
        let fault = || format!("{text:?} is no host; give a name or an address, as host, host:port or host:*");
        let (name, port) = read(host).filter(|(_, port)| !any || port.is_none()).ok_or_else(fault)?;
        let port = if any { Port::Any } else { port.map_or(Port::Usual, Port::Only) };
        Ok(Named { name, port })
    }
}

/// What is ours.
#[derive(Clone, Debug)]
pub struct Hosts {
    listen: SocketAddr,
    named: Vec<Named>,
}

impl Hosts {
    /// The address that is listened on, and what else leads here.
    pub fn new(listen: SocketAddr, named: Vec<Named>) -> Hosts {
        Hosts { listen, named }
    }

    /// The address that is listened on.
    pub fn listen(&self) -> SocketAddr {
        self.listen
    }

    /// True when the port is the one listened on; a browser leaves 80 out.
    fn right_port(&self, port: Option<u16>) -> bool {
        port.unwrap_or(80) == self.listen.port()
    }

    fn loopback(&self, name: &Name, port: Option<u16>) -> bool {
        let known = match name {
            Name::Text(text) => text == "localhost",
            Name::Address(address) => ["127.0.0.1", "::1"].iter().any(|known| known.parse() == Ok(*address)),
        };
        known && self.right_port(port)
    }

    fn listened(&self, name: &Name, port: Option<u16>) -> bool {
        let own = self.listen.ip().to_canonical();
        *name == Name::Address(own) && !own.is_unspecified() && self.right_port(port)
    }

    fn is_named(&self, name: &Name, port: Option<u16>) -> bool {
        self.named.iter().any(|known| {
            known.name == *name
                && match known.port {
                    Port::Any => true,
                    Port::Usual => port.is_none() || self.right_port(port),
                    // Browsers leave out the port that the scheme has anyway.
                    Port::Only(only) => port.map_or(only == 80 || only == 443, |port| port == only),
                }
        })
    }

    /// True when a `Host` line or `:authority` names this server.
    pub fn ours_host(&self, text: &str) -> bool {
        let Some((name, port)) = read(text) else { return false };
        let everywhere = self.listen.ip().is_unspecified();
        let literal = matches!(name, Name::Address(address) if !address.is_unspecified());
        self.is_named(&name, port)
            || self.loopback(&name, port)
            || self.listened(&name, port)
            || (everywhere && literal && self.right_port(port))
    }

    /// True when a page of this origin is one of this server's, for a request to a host that is ours: an address of another
    /// machine is none, though it may have the same port.
    pub fn ours_origin(&self, text: &str, host: &str) -> bool {
        let bare = text.strip_prefix("http://").or_else(|| text.strip_prefix("https://"));
        let Some(origin) = bare.and_then(read) else { return false };
        let (name, port) = &origin;
        let asked = read(host);
        self.is_named(name, *port)
            || self.listened(name, *port)
            || asked.as_ref() == Some(&origin)
            || (self.loopback(name, *port) && asked.is_some_and(|(name, port)| self.loopback(&name, port)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hosts(listen: &str, named: &[&str]) -> Hosts {
        Hosts::new(listen.parse().unwrap(), named.iter().map(|name| name.parse().unwrap()).collect())
    }

    #[test]
    fn names_that_are_ours() {
        let loopback = hosts("127.0.0.1:7345", &[]);
        let site =
            hosts("192.168.7.4:7345", &["loft", "gate.example:8443", "pack.example:443", "10.0.0.9:*", "[fd00::7]"]);
        let all = hosts("0.0.0.0:7345", &["loft"]);
        let six = hosts("[::]:7345", &[]);
        let port_80 = hosts("127.0.0.1:80", &[]);
        for (given, wanted) in [
            ("127.0.0.1:7345", [true, true, true, true, false]),
            ("localhost:7345", [true, true, true, true, false]),
            ("LocalHost.:7345", [true, true, true, true, false]),
            ("[::1]:7345", [true, true, true, true, false]),
            ("127.0.0.1", [false, false, false, false, true]),
            ("localhost", [false, false, false, false, true]),
            ("127.0.0.1:80", [false, false, false, false, true]),
            ("127.0.0.1:7346", [false; 5]),
            ("127.0.0.2:7345", [false, false, true, true, false]),
            ("192.168.7.4:7345", [false, true, true, true, false]),
            ("192.168.7.5:7345", [false, false, true, true, false]),
            ("192.168.7.5:7346", [false; 5]),
            ("[2001:db8::5]:7345", [false, false, true, true, false]),
            ("0.0.0.0:7345", [false; 5]),
            ("[::]:7345", [false; 5]),
            ("loft", [false, true, true, false, false]),
            ("loft:7345", [false, true, true, false, false]),
            ("loft:80", [false; 5]),
            ("loft.example:7345", [false; 5]),
            ("gate.example:8443", [false, true, false, false, false]),
            ("gate.example", [false; 5]),
            ("pack.example", [false, true, false, false, false]),
            ("pack.example:443", [false, true, false, false, false]),
            ("pack.example:7345", [false; 5]),
            ("10.0.0.9:1", [false, true, false, false, false]),
            ("[fd00::7]", [false, true, false, false, false]),
            ("evil.example:7345", [false; 5]),
            ("127.0.0.1.evil.example:7345", [false; 5]),
            ("user@127.0.0.1:7345", [false; 5]),
            ("127.0.0.1:7345@evil.example", [false; 5]),
            ("127.0.0.1:", [false; 5]),
            ("127.0.0.1:+7345", [false; 5]),
            ("127.0.0.1:72881", [false; 5]),
            ("127.1:7345", [false; 5]),
            ("0x7f000001:7345", [false; 5]),
            ("[::ffff:127.0.0.1]:7345", [true, true, true, true, false]),
            ("", [false; 5]),
            (":7345", [false; 5]),
            ("127.0.0.1:7345/", [false; 5]),
        ] {
            let found = [&loopback, &site, &all, &six, &port_80].map(|hosts| hosts.ours_host(given));
            assert_eq!(found, wanted, "{given}");
        }
    }

    #[test]
    fn origins_that_are_ours() {
        let loopback = hosts("127.0.0.1:7345", &[]);
        let site = hosts("192.168.7.4:7345", &["pack.example:443", "loft"]);
        let all = hosts("0.0.0.0:7345", &[]);
        for (hosts, host, origin, wanted) in [
            (&loopback, "127.0.0.1:7345", "http://127.0.0.1:7345", true),
            (&loopback, "127.0.0.1:7345", "http://localhost:7345", true),
            (&loopback, "127.0.0.1:7345", "http://127.0.0.1:8000", false),
            (&loopback, "127.0.0.1:7345", "http://127.0.0.1", false),
            (&loopback, "127.0.0.1:7345", "http://evil.example", false),
            (&loopback, "127.0.0.1:7345", "http://evil.example:7345", false),
            (&loopback, "127.0.0.1:7345", "null", false),
            (&loopback, "127.0.0.1:7345", "", false),
            (&loopback, "127.0.0.1:7345", "file://", false),
            (&loopback, "127.0.0.1:7345", "chrome-extension://127.0.0.1:7345", false),
            (&loopback, "127.0.0.1:7345", "http://127.0.0.1:7345/", false),
            (&loopback, "127.0.0.1:7345", "http://127.0.0.1:7345, http://evil.example", false),
            // A proxy with another name before the server.
            (&site, "192.168.7.4:7345", "https://pack.example", true),
            (&site, "pack.example", "https://pack.example", true),
            (&site, "loft:7345", "http://loft:7345", true),
            (&site, "loft", "http://pack.example:8000", false),
            // The same port on another machine is another site, and so is the reader's own machine.
            (&all, "192.168.7.4:7345", "http://192.168.7.4:7345", true),
            (&all, "192.168.7.4:7345", "http://192.168.7.5:7345", false),
            (&all, "192.168.7.4:7345", "http://localhost:7345", false),
            (&all, "localhost:7345", "http://[::1]:7345", true),
        ] {
            assert_eq!(hosts.ours_origin(origin, host), wanted, "{origin} at {host}");
        }
    }

    #[test]
    fn what_is_no_host_is_not_taken() {
        for text in ["", "http://loft", "loft/", "loft:x", "loft:80:*", "a b", "loft:", ":*", "user@loft", "*"] {
            let fault = text.parse::<Named>();
            assert!(fault.is_err(), "{text}: {fault:?}");
        }
        assert_eq!(
            hosts("127.0.0.1:1", &["LOFT.example.:8000"]).named,
            hosts("127.0.0.1:1", &["loft.example:8000"]).named
        );
    }
}
