//! One-time codes of an authenticator: TOTP (RFC 6238) over HOTP (RFC 4226), and the recovery codes beside them.
//!
//! SHA-1, six digits and steps of 30 s, which every authenticator takes. What an authenticator and the service share is kept sealed.

use chrono::{DateTime, Utc};
use data_encoding::{BASE32_NOPAD, BASE64URL_NOPAD};
use ring::hmac;
use secrecy::{ExposeSecret, SecretString};
use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;

use crate::auth::sealed;
use crate::auth::tokens::random_bytes;
use crate::ids::{AccountId, CodeEnrolmentId};

/// Seconds of a step; RFC 6238, 5.2 recommends 30.
pub const STEP_SECONDS: i64 = 30;
/// Steps before and after the present one that are taken: clocks differ, and typing takes its time (RFC 6238, 5.2).
const SKEW: i64 = 1;
/// Digits of a code.
const DIGITS: usize = 6;
/// Bytes of a shared secret; RFC 4226, 4 asks for at least 16 and recommends 20.
const SECRET: usize = 20;
/// Recovery codes of an enrolment.
pub const RECOVERY_CODES: usize = 10;
/// Random bytes of a recovery code: 80 bits, which nobody guesses from their digest either.
const RECOVERY: usize = 10;
/// Seconds within which a proposed secret is confirmed.
const PROPOSAL_SECONDS: i64 = 15 * 60;

const SEALED_SECRET: &str = "one-time codes";
const SEALED_PROPOSAL: &str = "proposal of one-time codes";

/// What an authenticator and the service share.
#[derive(Clone)]
pub struct SharedSecret([u8; SECRET]);

impl std::fmt::Debug for SharedSecret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("SharedSecret(not shown)")
    }
}

impl SharedSecret {
    /// A fresh one.
    #[must_use]
    pub fn random() -> Self {
        Self(random_bytes())
    }

    /// As people type it, base32 (RFC 4648, 6) without padding.
    #[must_use]
    pub fn base32(&self) -> String {
        BASE32_NOPAD.encode(&self.0)
    }

    /// As authenticators read it from a symbol. Names of accounts need no escape, they are letters, digits, dots and hyphens.
    #[must_use]
    pub fn uri(&self, account: &str) -> String {
        format!("otpauth://totp/ferrotitre:{account}?secret={}&issuer=ferrotitre", self.base32())
    }

    /// Sealed for the store, for this account and enrolment only.
    #[must_use]
    pub fn seal(&self, account: AccountId, enrolment: CodeEnrolmentId) -> Vec<u8> {
        sealed::seal(SEALED_SECRET, &[account.0.as_bytes(), enrolment.0.as_bytes()], &self.0)
    }

    /// What was sealed; none with another `door.key`, or from another account.
    #[must_use]
    pub fn open(account: AccountId, enrolment: CodeEnrolmentId, kept: &[u8]) -> Option<Self> {
        let plain = sealed::open(SEALED_SECRET, &[account.0.as_bytes(), enrolment.0.as_bytes()], kept)?;
        plain.try_into().ok().map(Self)
    }

    /// Sealed for its owner's hands until it is confirmed; nothing is kept meanwhile.
    #[must_use]
    pub fn proposal(&self, account: AccountId, now: DateTime<Utc>) -> String {
        let mut plain = self.0.to_vec();
        plain.extend((now.timestamp() + PROPOSAL_SECONDS).to_be_bytes());
        BASE64URL_NOPAD.encode(&sealed::seal(SEALED_PROPOSAL, &[account.0.as_bytes()], &plain))
    }

    /// What was proposed to this account a while ago at most.
    #[must_use]
    pub fn proposed(account: AccountId, proposal: &str, now: DateTime<Utc>) -> Option<Self> {
        let kept = BASE64URL_NOPAD.decode(proposal.trim().as_bytes()).ok()?;
        let plain = sealed::open(SEALED_PROPOSAL, &[account.0.as_bytes()], &kept)?;
        let (secret, until) = plain.split_at_checked(SECRET)?;
        let until = i64::from_be_bytes(until.try_into().ok()?);
        (now.timestamp() <= until).then(|| secret.try_into().ok().map(Self)).flatten()
    }

    /// Steps around a moment whose code this is, the present one first: one as a rule, more by chance. Each is compared in constant
    /// time.
    #[must_use]
    pub fn steps(&self, code: &str, now: DateTime<Utc>) -> Vec<i64> {
        let present = step_of(now);
        let around = std::iter::once(present).chain((1..=SKEW).flat_map(|by| [present - by, present + by]));
        around.filter(|step| bool::from(self.code(*step).as_bytes().ct_eq(code.as_bytes()))).collect()
    }

    /// The code of a step.
    #[must_use]
    pub fn code(&self, step: i64) -> String {
        hotp(&self.0, step.cast_unsigned())
    }
}

/// The step of a moment.
#[must_use]
pub fn step_of(now: DateTime<Utc>) -> i64 {
    now.timestamp().div_euclid(STEP_SECONDS)
}

/// HMAC-SHA-1 of the counter, cut as RFC 4226, 5.3 says, to six digits.
fn hotp(key: &[u8], counter: u64) -> String {
    let key = hmac::Key::new(hmac::HMAC_SHA1_FOR_LEGACY_USE_ONLY, key);
    let tag = hmac::sign(&key, &counter.to_be_bytes());
    let bytes = tag.as_ref();
    let at = usize::from(bytes[bytes.len() - 1] & 0x0f);
    let number = u32::from_be_bytes([bytes[at] & 0x7f, bytes[at + 1], bytes[at + 2], bytes[at + 3]]);
    let digits = format!("{:0width$}", number % 10_u32.pow(DIGITS as u32), width = DIGITS);
    debug_assert_eq!(digits.len(), DIGITS);
    digits
}

/// What somebody gave as a code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Given {
    /// Six digits of an authenticator.
    Code(String),
    /// A recovery code.
    Recovery(String),
    /// Neither.
    Nothing,
}

impl Given {
    /// Blanks and hyphens are for the eye, and letters may be small.
    #[must_use]
    pub fn read(text: &SecretString) -> Self {
        let text: String = text.expose_secret().chars().filter(|c| !c.is_whitespace() && *c != '-').take(64).collect();
        if text.len() == DIGITS && text.bytes().all(|byte| byte.is_ascii_digit()) {
            return Self::Code(text);
        }
        let text = text.to_ascii_uppercase();
        let whole = BASE32_NOPAD.decode(text.as_bytes()).is_ok_and(|bytes| bytes.len() == RECOVERY);
        if whole { Self::Recovery(text) } else { Self::Nothing }
    }
}

/// Fresh recovery codes, four groups of four letters and digits each.
#[must_use]
pub fn recovery_codes() -> Vec<String> {
    let one = || {
        let text = BASE32_NOPAD.encode(&random_bytes::<RECOVERY>());
        let groups: Vec<&str> = (0..text.len()).step_by(4).map(|at| &text[at..at + 4]).collect();
        groups.join("-")
    };
    (0..RECOVERY_CODES).map(|_| one()).collect()
}

/// What is kept of a recovery code: SHA-256, which is enough for 80 random bits. It needs no `door.key`, so that the codes still
/// open the account where that file was lost.
#[must_use]
pub fn recovery_digest(enrolment: CodeEnrolmentId, code: &str) -> Vec<u8> {
    let plain: String = code.chars().filter(|c| *c != '-').collect();
    Sha256::new()
        .chain_update(b"recovery code")
        .chain_update(enrolment.0)
        .chain_update(plain.as_bytes())
        .finalize()
        .to_vec()
}

/// Which of the kept digests is that of a recovery code, from 0; all are compared, each in constant time.
#[must_use]
pub fn recovery_at(enrolment: CodeEnrolmentId, code: &str, kept: &[Vec<u8>]) -> Option<usize> {
    let digest = recovery_digest(enrolment, code);
    kept.iter().enumerate().fold(None, |found, (at, one)| if bool::from(one.ct_eq(&digest)) { Some(at) } else { found })
}

#[cfg(test)]
mod tests {
    use super::*;

    const KEY: &[u8; SECRET] = b"12345678901234567890";

    fn at(seconds: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(seconds, 0).unwrap()
    }

    /// RFC 4226, appendix D.
    #[test]
    fn codes_by_counter_are_those_of_rfc_4226_appendix_d() {
        let published =
            ["755224", "287082", "359152", "969429", "338314", "254676", "287922", "162583", "399871", "520489"];
        for (counter, code) in published.iter().enumerate() {
            assert_eq!(hotp(KEY, counter as u64), *code, "{counter}");
        }
    }

    /// RFC 6238, appendix B, the rows of SHA-1: eight digits there, of which the last six are a code of six.
    #[test]
    fn codes_by_time_are_those_of_rfc_6238_appendix_b() {
        for (seconds, code) in [
            (59, "94287082"),
            (1_111_111_109, "07081804"),
            (1_111_111_111, "14050471"),
            (1_234_567_890, "89005924"),
            (2_000_000_000, "69279037"),
            (20_000_000_000, "65353130"),
        ] {
            assert_eq!(SharedSecret(*KEY).code(step_of(at(seconds))), code[2..], "{seconds}");
        }
    }

    #[test]
    fn a_clock_may_be_a_step_off_and_no_more() {
        let secret = SharedSecret(*KEY);
        let now = at(1_234_567_890);
        let present = step_of(now);
        for by in [-1, 0, 1] {
            assert_eq!(secret.steps(&secret.code(present + by), now), [present + by], "{by}");
        }
        for by in [-3, -2, 2, 3] {
            assert_eq!(secret.steps(&secret.code(present + by), now), [0_i64; 0], "{by}");
        }
        for wrong in ["", "000000", "0059240", "59240", "５９２４０１"] {
            assert!(secret.steps(wrong, now).is_empty(), "{wrong}");
        }
    }

    /// RFC 4648, 10 for the alphabet; the address as the makers of authenticators publish its form.
    #[test]
    fn a_secret_is_written_for_authenticators_and_never_shown_by_itself() {
        let secret = SharedSecret(*KEY);
        assert_eq!(secret.base32(), "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ");
        let uri = "otpauth://totp/ferrotitre:analyst-1?secret=GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ&issuer=ferrotitre";
        assert_eq!(secret.uri("analyst-1"), uri);
        assert!(!format!("{secret:?}").contains("1234"));
    }

    #[test]
    fn what_is_sealed_opens_for_its_account_and_enrolment_only() {
        let (secret, account, enrolment) = (SharedSecret::random(), AccountId::new(), CodeEnrolmentId::new());
        let kept = secret.seal(account, enrolment);
        assert_ne!(kept, secret.seal(account, enrolment));
        assert_eq!(SharedSecret::open(account, enrolment, &kept).unwrap().base32(), secret.base32());
        assert!(SharedSecret::open(AccountId::new(), enrolment, &kept).is_none());
        assert!(SharedSecret::open(account, CodeEnrolmentId::new(), &kept).is_none());
        assert!(SharedSecret::open(account, enrolment, b"").is_none());
    }

    #[test]
    fn a_proposal_is_for_its_account_and_for_a_quarter_of_an_hour() {
        let (secret, account, now) = (SharedSecret::random(), AccountId::new(), at(1_234_567_890));
        let proposal = secret.proposal(account, now);
        let read =
            |account, seconds| SharedSecret::proposed(account, &proposal, now + chrono::TimeDelta::seconds(seconds));
        assert_eq!(read(account, PROPOSAL_SECONDS).unwrap().base32(), secret.base32());
        assert!(read(account, PROPOSAL_SECONDS + 1).is_none());
        assert!(read(AccountId::new(), 0).is_none());
        assert!(SharedSecret::proposed(account, "no proposal", now).is_none());
    }

    #[test]
    fn codes_are_read_as_people_type_them() {
        let read = |text: &str| Given::read(&SecretString::from(text));
        assert_eq!(read(" 123 456 "), Given::Code("123456".to_owned()));
        for other in ["", "12345", "1234567", "abc", "１２３４５６", "AAAA-BBBB-CCCC-DDD", "AAAA-BBBB-CCCC-DD01"]
        {
            assert_eq!(read(other), Given::Nothing, "{other}");
        }
        let codes = recovery_codes();
        let enrolment = CodeEnrolmentId::new();
        let kept: Vec<Vec<u8>> = codes.iter().map(|code| recovery_digest(enrolment, code)).collect();
        for (place, code) in codes.iter().enumerate() {
            assert_eq!(code.len(), 19, "{code}");
            let Given::Recovery(plain) = read(&code.to_lowercase()) else { panic!("{code}") };
            assert_eq!(recovery_at(enrolment, &plain, &kept), Some(place));
            assert_eq!(recovery_at(CodeEnrolmentId::new(), &plain, &kept), None);
        }
        assert_eq!(codes.iter().collect::<std::collections::HashSet<_>>().len(), RECOVERY_CODES);
    }
}
