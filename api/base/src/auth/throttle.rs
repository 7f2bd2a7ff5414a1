//! Slows down who guesses passwords, without a lock that a stranger could turn.
//!
//! Wrong passwords are counted for a pair of address and sign-in name, for an address, for a name over all addresses, and for the
//! signatures of an account. Past an allowance the next try of that kind must wait, twice as long after each further wrong one. So a
//! stranger slows down the stranger: at another address, and at one from which the account has signed in before, its owner does not
//! wait for what came from elsewhere. NIST SP 800-63B, 5.2.2 asks for such a limit; OWASP, *Authentication Cheat Sheet*, names the
//! denial of service that a lock invites.
//!
//! The counts are this process's own and end with it.

use std::collections::HashMap;
use std::hash::Hash;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::ids::AccountId;
use crate::refusal::{Code, Refusal};

/// Wrong passwords from one address over all names that cost nothing.
const FREE_OF_ADDRESS: u32 = 300;
/// Wrong passwords for one name over all addresses that cost nothing. NIST SP 800-63B, 5.2.2: no more than 100 in a row.
const FREE_OF_NAME: u32 = 100;
/// Passwords of one pair that are looked at beside each other while none was wrong.
const BESIDE: u32 = 64;
/// Longest wait.
const LONGEST: Duration = Duration::from_secs(60);
/// Wrong passwords are forgotten after so long without another.
const FORGOTTEN: Duration = Duration::from_secs(3600);
/// Counts that are kept at most; beyond them the oldest are forgotten.
const KEPT: usize = 20_000;

/// What a password is given for.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Try {
    /// To sign in, by somebody of whom only address and name are known.
    SignIn {
        /// Address, or its network of 64 bits for IPv6, of which one machine has them all.
        address: Option<IpAddr>,
        /// Sign-in name as given; it need not exist.
        name: String,
    },
    /// To sign something or to change the password, by somebody who is signed in.
    Signature(AccountId),
}

impl Try {
    /// A sign-in from an address as text.
    #[must_use]
    pub fn sign_in(address: Option<&str>, name: &str) -> Self {
        let address = address.and_then(|text| text.parse().ok()).map(network);
        // No account has a longer name, and a long one must not be kept.
        Self::SignIn { address, name: name.chars().take(64).collect() }
    }
}

/// The address, or its network of 64 bits for IPv6.
#[must_use]
pub fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(address) => {
            let [a, b, c, d, ..] = address.segments();
            IpAddr::V6(Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
        }
        address @ IpAddr::V4(_) => address,
    }
}

#[derive(Debug, Clone, Copy)]
struct Count {
    /// Wrong ones, and those that are being looked at.
    wrong: u32,
    looking: u32,
    /// No further try before.
    next: Instant,
    last: Instant,
}

impl Count {
    fn new(now: Instant) -> Self {
        Self { wrong: 0, looking: 0, next: now, last: now }
    }

    fn forget(&mut self, now: Instant) {
        if now.saturating_duration_since(self.last) > FORGOTTEN {
            self.wrong = 0;
            self.next = now;
        }
    }

    /// How long the next try must wait; what is being looked at may be wrong, too.
    fn wait(&self, free: u32, now: Instant) -> Option<Duration> {
        let wait = self.next.saturating_duration_since(now);
        if !wait.is_zero() {
            return Some(wait);
        }
        let full = if self.wrong == 0 { self.looking >= free.max(BESIDE) } else { self.wrong + self.looking >= free };
        // Beyond the allowance one at a time.
        (full && self.looking > 0).then_some(Duration::from_secs(1))
    }

    fn was_wrong(&mut self, free: u32, now: Instant) {
        self.wrong = self.wrong.saturating_add(1);
        self.last = now;
        if self.wrong >= free {
            let doublings = (self.wrong - free).min(6);
            self.next = now + LONGEST.min(Duration::from_secs(1 << doublings));
        }
    }
}

#[derive(Debug, Clone, PartialEq, Eq, Hash)]
enum Key {
    Try(Try),
    Address(IpAddr),
    Name(String),
}

/// Counts of wrong passwords.
#[derive(Debug)]
pub struct Throttle {
    /// Wrong passwords of one pair, or for signatures of one account, that cost nothing.
    free: u32,
    counts: Mutex<HashMap<Key, Count>>,
}

/// A password that is being looked at; what came of it must be told.
#[derive(Debug)]
#[must_use = "a try that is not told counts as wrong"]
pub struct Looking<'a> {
    throttle: &'a Throttle,
    keys: Vec<(Key, u32)>,
    told: bool,
}

impl Throttle {
    /// With so many wrong passwords in a row that cost nothing.
    #[must_use]
    pub fn new(free: u32) -> Self {
        Self { free: free.max(1), counts: Mutex::default() }
    }

    /// Whether the address's own count decides alone: nothing else does where the account has signed in from there before.
    ///
    /// # Errors
    /// [`Code::TooManyTries`] with the seconds to wait.
    pub fn begin(&self, asked: &Try, known_here: bool) -> Result<Looking<'_>, Refusal> {
        self.begin_at(asked, known_here, Instant::now())
    }

    /// Whether the address or the name has used up what it may try from places unknown, so that it matters whether this one is known.
    #[must_use]
    pub fn matters_where(&self, asked: &Try) -> bool {
        let now = Instant::now();
        let keys = self.keys(asked, false);
        let mut counts = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        keys.iter().skip(1).any(|(key, free)| {
            counts.get_mut(key).is_some_and(|count| {
                count.forget(now);
                count.wait(*free, now).is_some()
            })
        })
    }

    fn keys(&self, asked: &Try, known_here: bool) -> Vec<(Key, u32)> {
        let mut keys = vec![(Key::Try(asked.clone()), self.free)];
        if let Try::SignIn { address, name } = asked
            && !known_here
        {
            keys.extend(address.map(|address| (Key::Address(address), FREE_OF_ADDRESS)));
            keys.push((Key::Name(name.clone()), FREE_OF_NAME));
        }
        keys
    }

    fn begin_at(&self, asked: &Try, known_here: bool, now: Instant) -> Result<Looking<'_>, Refusal> {
        let keys = self.keys(asked, known_here);
        let mut counts = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        let mut wait = None;
        for (key, free) in &keys {
            if let Some(count) = counts.get_mut(key) {
                count.forget(now);
                wait = wait.max(count.wait(*free, now));
            }
        }
        if let Some(wait) = wait {
            return Err(too_many(asked, wait));
        }
        make_room(&mut counts, now);
        for (key, _) in &keys {
            counts.entry(key.clone()).or_insert_with(|| Count::new(now)).looking += 1;
        }
        drop(counts);
        Ok(Looking { throttle: self, keys, told: false })
    }

    fn tell(&self, keys: &[(Key, u32)], right: Option<bool>, now: Instant) {
        let mut counts = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        for (key, free) in keys {
            let Some(count) = counts.get_mut(key) else { continue };
            count.looking = count.looking.saturating_sub(1);
            match right {
                Some(false) => count.was_wrong(*free, now),
                // A guesser with an account of their own must not wipe out what they did to others.
                Some(true) if matches!(key, Key::Try(_)) => count.wrong = 0,
                _ => {}
            }
            if count.wrong == 0 && count.looking == 0 {
                counts.remove(key);
            }
        }
    }
}

impl Looking<'_> {
    /// The password was right or wrong.
    pub fn was(self, right: bool) {
        self.was_at(right, Instant::now());
    }

    /// It could not be looked at, for a reason of ours.
    pub fn untried(mut self) {
        self.told = true;
        self.throttle.tell(&self.keys, None, Instant::now());
    }

    /// Tells what came of it; a failure of ours is nobody's guess.
    ///
    /// # Errors
    /// Those of the outcome.
    pub fn settle<T>(self, outcome: Result<T, Refusal>, right: impl FnOnce(&T) -> bool) -> Result<T, Refusal> {
        match &outcome {
            Ok(found) => self.was(right(found)),
            Err(_) => self.untried(),
        }
        outcome
    }

    fn was_at(mut self, right: bool, now: Instant) {
        self.told = true;
        self.throttle.tell(&self.keys, Some(right), now);
    }
}

impl Drop for Looking<'_> {
    /// Whoever leaves before the answer has had a guess all the same.
    fn drop(&mut self) {
        if !self.told {
            self.throttle.tell(&self.keys, Some(false), Instant::now());
        }
    }
}

fn too_many(asked: &Try, wait: Duration) -> Refusal {
    let seconds = wait.as_secs() + u64::from(wait.subsec_nanos() > 0);
    let whence = match asked {
        Try::SignIn { .. } => "too many wrong passwords from here or for this name",
        Try::Signature(_) => "too many wrong passwords in a row",
    };
    let unit = if seconds == 1 { "second" } else { "seconds" };
    Refusal::new(Code::TooManyTries, format!("{whence}; try again in {seconds} {unit}"))
        .with_facts(serde_json::json!({ "retry_after_seconds": seconds }))
}

fn make_room(counts: &mut HashMap<Key, Count>, now: Instant) {
    if counts.len() < KEPT {
        return;
    }
    counts.retain(|_, count| count.looking > 0 || now.saturating_duration_since(count.last) < FORGOTTEN);
    if counts.len() >= KEPT {
        let mut ages: Vec<Instant> = counts.values().map(|count| count.last).collect();
        ages.sort_unstable();
        let middle = ages[ages.len() / 2];
        counts.retain(|_, count| count.looking > 0 || count.last > middle);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn from(address: &str, name: &str) -> Try {
        Try::sign_in(Some(address), name)
    }

    /// Guesses until refused or `most` were wrong; the number of wrong ones.
    fn guess(throttle: &Throttle, asked: &Try, most: u32, now: Instant) -> u32 {
        (0..most)
            .take_while(|_| throttle.begin_at(asked, false, now).map(|look| look.was_at(false, now)).is_ok())
            .count() as u32
    }

    #[test]
    fn each_wrong_password_past_the_allowance_doubles_the_wait_up_to_a_minute() {
        let throttle = Throttle::new(3);
        let asked = from("192.0.2.1", "analyst-1");
        let mut now = Instant::now();
        assert_eq!(guess(&throttle, &asked, 100, now), 3);
        for seconds in [1, 2, 4, 8, 16, 32, 60, 60] {
            let early = now + Duration::from_secs(seconds) - Duration::from_millis(1);
            let refusal = throttle.begin_at(&asked, false, early).map(drop).unwrap_err();
            assert_eq!(refusal.facts.unwrap()["retry_after_seconds"], 1);
            now += Duration::from_secs(seconds);
            assert_eq!(guess(&throttle, &asked, 100, now), 1, "after {seconds} s");
        }
        // A right one, given in time, ends it.
        now += LONGEST;
        throttle.begin_at(&asked, false, now).unwrap().was_at(true, now);
        assert_eq!(guess(&throttle, &asked, 100, now), 3);
    }

    #[test]
    fn a_stranger_slows_down_nobody_else() {
        let throttle = Throttle::new(3);
        let now = Instant::now();
        assert_eq!(guess(&throttle, &from("192.0.2.1", "analyst-1"), 100, now), 3);
        assert!(throttle.begin_at(&from("192.0.2.2", "analyst-1"), false, now).is_ok());
        assert!(throttle.begin_at(&from("192.0.2.1", "analyst-2"), false, now).is_ok());
        assert!(throttle.begin_at(&Try::Signature(AccountId::new()), false, now).is_ok());
        // A machine has a whole network of 64 bits.
        assert_eq!(guess(&throttle, &from("2001:db8::1", "analyst-1"), 100, now), 3);
        assert!(throttle.begin_at(&from("2001:db8::2", "analyst-1"), false, now).is_err());
        assert!(throttle.begin_at(&from("2001:db8:0:1::1", "analyst-1"), false, now).is_ok());
    }

    #[test]
    fn guesses_from_many_places_and_of_many_names_end_but_not_for_who_is_known() {
        let throttle = Throttle::new(3);
        let now = Instant::now();
        let spread: u32 =
            (0..200).map(|place| guess(&throttle, &from(&format!("198.51.100.{place}"), "manager-1"), 1, now)).sum();
        assert_eq!(spread, FREE_OF_NAME);
        let many: u32 = (0..500).map(|name| guess(&throttle, &from("192.0.2.1", &format!("n{name}")), 1, now)).sum();
        assert_eq!(many, FREE_OF_ADDRESS);
        let known = from("192.0.2.1", "manager-1");
        assert!(throttle.begin_at(&known, false, now).is_err());
        assert!(throttle.matters_where(&known));
        assert!(throttle.begin_at(&known, true, now).is_ok());
        // An hour later nothing of it is left.
        assert!(throttle.begin_at(&known, false, now + FORGOTTEN + LONGEST).is_ok());
    }

    #[test]
    fn guesses_beside_each_other_are_counted_before_they_are_answered() {
        let throttle = Throttle::new(3);
        let now = Instant::now();
        let asked = from("192.0.2.1", "analyst-1");
        let looking: Vec<_> = (0..200).filter_map(|_| throttle.begin_at(&asked, false, now).ok()).collect();
        assert_eq!(looking.len(), BESIDE as usize);
        looking.into_iter().for_each(|look| look.was_at(false, now));
        assert!(throttle.begin_at(&asked, false, now + Duration::from_secs(59)).is_err());
        // Whoever leaves before the answer has had the guess.
        let other = from("192.0.2.9", "analyst-1");
        for _ in 0..3 {
            drop(throttle.begin_at(&other, false, Instant::now()).unwrap());
        }
        assert!(throttle.begin_at(&other, false, Instant::now()).is_err());
        // What failed for a reason of ours is no guess.
        let third = from("192.0.2.10", "analyst-1");
        for _ in 0..10 {
            throttle.begin_at(&third, false, Instant::now()).unwrap().untried();
        }
        assert_eq!(guess(&throttle, &third, 100, Instant::now()), 3);
    }

    #[test]
    fn what_is_kept_is_bounded() {
        let throttle = Throttle::new(3);
        let now = Instant::now();
        for place in 0..60_000_u32 {
            let address = std::net::Ipv4Addr::from(place).to_string();
            let _ = guess(
                &throttle,
                &from(&address, &format!("name-{place}")),
                1,
                now + Duration::from_millis(place.into()),
            );
        }
        assert!(throttle.counts.lock().unwrap().len() <= KEPT + 3);
    }
}
