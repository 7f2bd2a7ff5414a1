//! Receipts of what was saved through pages, kept by the browser as cookies: made with the answer to the entry itself, and out of
//! reach of whoever could alter the log. It works without script.
//!
//! A cookie for each receipt is sent to its own address alone, so that no other request carries it; one small cookie says which
//! there are.

use actix_web::HttpRequest;
use actix_web::cookie::{Cookie, SameSite, time::Duration};
use actix_web::http::header::COOKIE;
use ferrotitre_base::auth::current_user::cookie;

/// Receipts that a browser keeps; it would throw the oldest cookies of a service away by itself from 150 on.
pub const MOST: usize = 100;
/// Browsers keep a cookie for 400 days at the most.
const DAYS: i64 = 365;
/// Says which receipts there are: the place of the newest, and the second of each, the newest first.
const INDEX: &str = "ferrotitre_receipts";
/// A receipt, and the address of the form it was made for.
const RECEIPT: &str = "ferrotitre_receipt";

/// A receipt that the browser keeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Kept {
    /// Its place, which later ones come to again.
    pub place: usize,
    /// When it was made, seconds since 1970.
    pub at: i64,
}

impl Kept {
    /// Address of its page.
    #[must_use]
    pub fn address(&self) -> String {
        format!("/receipts/{}", self.place)
    }
}

fn sent<'a>(request: &'a HttpRequest, name: &str) -> Option<&'a str> {
    cookie(request.headers().get(COOKIE)?.to_str().ok()?, name)
}

fn read(index: &str) -> Option<Vec<Kept>> {
    let mut parts = index.split('.');
    let newest: usize = parts.next()?.parse().ok()?;
    let times = parts.map(|part| i64::from_str_radix(part, 36).ok()).collect::<Option<Vec<i64>>>()?;
    let place = |before: usize| (newest % MOST + MOST - before) % MOST;
    Some(times.into_iter().take(MOST).enumerate().map(|(before, at)| Kept { place: place(before), at }).collect())
}

fn written(kept: &[Kept]) -> String {
    let newest = kept.first().map_or(0, |kept| kept.place);
    let times = kept.iter().map(|kept| format!(".{}", base36(kept.at.unsigned_abs())));
    format!("{newest}{}", times.collect::<String>())
}

fn base36(mut number: u64) -> String {
    let mut digits = Vec::new();
    loop {
        digits.push(char::from_digit(u32::try_from(number % 36).unwrap_or_default(), 36).unwrap_or('0'));
        number /= 36;
        if number == 0 {
            return digits.into_iter().rev().collect();
        }
    }
}

/// Receipts that this browser keeps, the newest first.
#[must_use]
pub fn kept(request: &HttpRequest) -> Vec<Kept> {
    sent(request, INDEX).and_then(read).unwrap_or_default()
}

/// The receipt of this address as it was kept, and the form it was made for, both still encoded; none where there is none.
#[must_use]
pub fn of_address(request: &HttpRequest) -> Option<(String, String)> {
    let (receipt, form) = sent(request, RECEIPT)?.split_once('.')?;
    Some((receipt.to_owned(), form.to_owned()))
}

/// Cookies by which the browser keeps one more receipt. Receipt and address of the form come encoded (base64).
#[must_use]
pub fn keep(request: &HttpRequest, at: i64, (receipt, form): (&str, &str)) -> [Cookie<'static>; 2] {
    let mut all = kept(request);
    let place = all.first().map_or(0, |newest| (newest.place + 1) % MOST);
    all.insert(0, Kept { place, at });
    all.truncate(MOST);
    let secure = request.connection_info().scheme() == "https";
    let made = |name: &'static str, value: String, path: String| {
        let made = Cookie::build(name, value).path(path).http_only(true).same_site(SameSite::Strict);
        made.secure(secure).max_age(Duration::days(DAYS)).finish()
    };
    [
        made(RECEIPT, format!("{receipt}.{form}"), format!("/receipts/{place}")),
        made(INDEX, written(&all), "/".to_owned()),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_comes_back_and_places_are_taken_again() {
        let all: Vec<Kept> = (0..MOST)
            .map(|before| Kept {
                place: (3 + MOST - before) % MOST,
                at: 1_764_440_000 - i64::try_from(before).unwrap(),
            })
            .collect();
        let text = written(&all);
        assert_eq!(read(&text), Some(all));
        assert!(text.len() < 800, "it goes with every request: {}", text.len());
        for odd in ["", "x", "1.-", "1..", "-1.a"] {
            assert!(read(odd).is_none_or(|kept| kept.iter().all(|one| one.place < MOST)), "{odd}");
        }
        assert_eq!(read("99999.a").unwrap()[0].place, 99_999 % MOST);
    }
}
