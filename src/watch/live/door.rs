//! Who may look at the page: which hosts it answers to, and the token where one is asked for.

use std::fmt;
use std::net::{IpAddr, SocketAddr};

use axum::http::header::{AUTHORIZATION, COOKIE, HOST};
use axum::http::request::Parts;
use axum::http::uri::Authority;
use axum::http::{HeaderMap, Uri};

/// A token has so many characters at least.
const LEAST: usize = 16;
/// And at most.
const MOST: usize = 256;

/// A word that only those know who may look.
#[derive(Clone, PartialEq, Eq)]
pub struct Token(String);

/// Why a text is no token.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a token has {LEAST} to {MOST} letters, digits, hyphens, dots or underscores")]
pub struct TokenError;

impl Token {
    /// The token that a person has chosen.
    ///
    /// # Errors
    /// When it is short enough to be guessed, or would not pass through an address unchanged.
    pub fn new(text: &str) -> Result<Self, TokenError> {
        let fit = |c: char| c.is_ascii_alphanumeric() || "-._".contains(c);
        let long = (LEAST..=MOST).contains(&text.len());
        (long && text.chars().all(fit))
            .then(|| Self(text.to_owned()))
            .ok_or(TokenError)
    }

    /// A new one, of 128 bits that the system drew.
    ///
    /// # Errors
    /// When the system has no chance to give.
    pub fn draw() -> std::io::Result<Self> {
        Ok(Self(drawn()?))
    }

    /// The text, to be told to who may look.
    pub fn text(&self) -> &str {
        &self.0
    }

    /// Whether `text` is this token. How long that takes tells nothing of where they differ, or of their
    /// lengths: compared are digests, which `blake3` does in constant time.
    fn is(&self, text: &str) -> bool {
        blake3::hash(self.0.as_bytes()) == blake3::hash(text.as_bytes())
    }
}

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token(not shown)")
    }
}

/// 128 bits from the system, in hexadecimal digits.
pub(super) fn drawn() -> std::io::Result<String> {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes).map_err(|error| std::io::Error::other(error.to_string()))?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// Who is let in.
#[derive(Clone, Debug)]
pub struct Door {
    address: SocketAddr,
    token: Option<Token>,
}

/// What a request is let do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Leave {
    /// It may look.
    Look,
    /// It brought the token in its address: it gets it as this cookie, and an address without.
    Keep(String),
    /// It names a host that this is not.
    WrongHost,
    /// It brings no token, or a wrong one.
    NoToken,
}

impl Door {
    /// The door of a page at `address`, for those who have the `token`, or for all who reach it.
    pub fn new(address: SocketAddr, token: Option<Token>) -> Self {
        Self { address, token }
    }

    pub(super) fn leave(&self, request: &Parts) -> Leave {
        if !self.answers_to(&request.headers, &request.uri) {
            return Leave::WrongHost;
        }
        let Some(token) = &self.token else {
            return Leave::Look;
        };
        if let Some(brought) = queried(&request.uri) {
            return match token.is(brought) {
                true => Leave::Keep(self.cookie(token)),
                false => Leave::NoToken,
            };
        }
        let brought = bearer(&request.headers).or_else(|| self.kept(&request.headers));
        match brought.is_some_and(|brought| token.is(brought)) {
            true => Leave::Look,
            false => Leave::NoToken,
        }
    }

    /// Whether the request names a host that this is. A page from elsewhere whose name is made to lead
    /// here names itself, and so would read what is shown to a browser on this machine: without a token
    /// only numeric addresses and `localhost` are answered to. Who has the token may come by any name.
    fn answers_to(&self, headers: &HeaderMap, uri: &Uri) -> bool {
        let mut hosts = headers.get_all(HOST).iter();
        let (Some(host), None) = (hosts.next(), hosts.next()) else {
            return false;
        };
        let host = host.to_str().ok().and_then(|host| host.parse().ok());
        let Some(host) = host.as_ref().map(Authority::host) else {
            return false;
        };
        // An address with a host of its own would have to agree.
        if uri.host().is_some_and(|named| named != host) {
            return false;
        }
        let bare = host.trim_start_matches('[').trim_end_matches(']');
        match bare.parse::<IpAddr>() {
            Ok(named) => {
                let here = self.address.ip().to_canonical().is_loopback();
                !here || named.to_canonical().is_loopback()
            }
            Err(_) => bare.eq_ignore_ascii_case("localhost") || self.token.is_some(),
        }
    }

    /// Name of the cookie: hosts have one set of cookies for all ports.
    fn name(&self) -> String {
        format!("poolproof-{}", self.address.port())
    }

    fn cookie(&self, token: &Token) -> String {
        let (name, text) = (self.name(), token.text());
        format!("{name}={text}; Path=/; HttpOnly; SameSite=Lax")
    }

    fn kept<'a>(&self, headers: &'a HeaderMap) -> Option<&'a str> {
        let name = self.name();
        let cookies = headers.get_all(COOKIE).iter();
        cookies
            .filter_map(|line| line.to_str().ok())
            .flat_map(|line| line.split(';'))
            .filter_map(|cookie| cookie.trim().split_once('='))
            .find(|(of, _)| *of == name)
            .map(|(_, value)| value)
    }
}

fn queried(uri: &Uri) -> Option<&str> {
    let query = uri.query()?;
    query
        .split('&')
        .find_map(|pair| pair.strip_prefix("token="))
}

fn bearer(headers: &HeaderMap) -> Option<&str> {
    let value = headers.get(AUTHORIZATION)?.to_str().ok()?;
    let (scheme, token) = value.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then(|| token.trim())
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::http::Request;

    const TOKEN: &str = "0123456789abcdef";

    fn door(address: &str, token: bool) -> Door {
        let token = token.then(|| Token::new(TOKEN).unwrap());
        Door::new(address.parse().unwrap(), token)
    }

    fn asked(uri: &str, headers: &[(&str, &str)]) -> Parts {
        let request = Request::builder().uri(uri);
        let with = |request: axum::http::request::Builder, (name, value): &(&str, &str)| {
            request.header(*name, *value)
        };
        let request = headers.iter().fold(request, with);
        request.body(()).unwrap().into_parts().0
    }

    #[test]
    fn without_a_token_only_addresses_of_this_machine_are_answered_to() {
        let open = door("127.0.0.1:8080", false);
        let leave = |host: &str| open.leave(&asked("/", &[("host", host)]));
        for host in [
            "127.0.0.1:8080",
            "localhost:8080",
            "LOCALHOST",
            "[::1]:9",
            "127.9.9.9",
        ] {
            assert_eq!(leave(host), Leave::Look, "{host}");
        }
        for host in [
            "rebound.example:8080",
            "localhost.example",
            "192.0.2.7:8080",
            "127.0.0.1.example",
            "",
            "a b",
        ] {
            assert_eq!(leave(host), Leave::WrongHost, "{host:?}");
        }
        assert_eq!(open.leave(&asked("/", &[])), Leave::WrongHost);
        let two = [("host", "localhost"), ("host", "rebound.example")];
        assert_eq!(open.leave(&asked("/", &two)), Leave::WrongHost);
        let other = asked("http://rebound.example/", &[("host", "localhost")]);
        assert_eq!(open.leave(&other), Leave::WrongHost);
    }

    #[test]
    fn the_token_opens_by_address_cookie_and_bearer_and_nothing_else_does() {
        let shut = door("0.0.0.0:8080", true);
        let host = ("host", "archive.example:8080");
        let leave =
            |uri: &str, name: &str, value: &str| shut.leave(&asked(uri, &[host, (name, value)]));
        let cookie = format!("poolproof-8080={TOKEN}; Path=/; HttpOnly; SameSite=Lax");
        let query = format!("/?token={TOKEN}");
        assert_eq!(leave(&query, "accept", "*/*"), Leave::Keep(cookie));
        let kept = format!("other=1; poolproof-8080={TOKEN}");
        assert_eq!(leave("/", "cookie", &kept), Leave::Look);
        let bearer = format!("Bearer {TOKEN}");
        assert_eq!(leave("/metrics", "authorization", &bearer), Leave::Look);
        for (uri, name, value) in [
            ("/", "accept", "*/*"),
            ("/?token=", "accept", "*/*"),
            ("/?token=0123456789abcdee", "cookie", kept.as_str()),
            ("/", "cookie", "poolproof-8081=0123456789abcdef"),
            ("/", "cookie", "poolproof-8080="),
            ("/", "authorization", "Basic 0123456789abcdef"),
            ("/", "authorization", "Bearer 0123456789abcdef0"),
            ("/", "authorization", "Bearer"),
        ] {
            assert_eq!(leave(uri, name, value), Leave::NoToken, "{uri} {value}");
        }
        // Loopback with a token asks for it as well.
        let asks = door("[::1]:8080", true).leave(&asked("/", &[("host", "[::1]:8080")]));
        assert_eq!(asks, Leave::NoToken);
    }

    #[test]
    fn tokens_are_long_pass_through_an_address_and_are_not_shown() {
        for bad in [
            "",
            "short",
            "0123456789abcde",
            "0123456789abcdef&x=1",
            "ä123456789abcdef",
        ] {
            assert_eq!(Token::new(bad), Err(TokenError), "{bad}");
        }
        let (one, two) = (Token::draw().unwrap(), Token::draw().unwrap());
        assert_ne!(one, two);
        assert_eq!(Token::new(one.text()), Ok(one.clone()));
        assert!(!format!("{one:?}").contains(one.text()));
    }
}
