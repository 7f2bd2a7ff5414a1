//! What a label's symbol says: the identity of a record with a check character, so that a damaged or mistyped one is noticed.

use uuid::Uuid;

/// Digits of the check character's alphabet.
const ALPHABET: &[u8; 36] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ";
/// Characters of an identity and its check character.
const LENGTH: usize = 33;

/// Check character over letters and digits; none if there is anything else.
///
/// # Source
/// ISO/IEC 7064, hybrid system MOD 37,36.
fn check_character(text: &str) -> Option<char> {
    let modulus = ALPHABET.len();
    let mut product = modulus;
    for byte in text.bytes() {
        let value = ALPHABET.iter().position(|digit| *digit == byte)?;
        let sum = (product + value) % modulus;
        product = (if sum == 0 { modulus } else { sum }) * 2 % (modulus + 1);
    }
    ALPHABET.get((modulus + 1 - product) % modulus).map(|byte| char::from(*byte))
}

/// Text of a record's symbol: 32 hexadecimal digits of its identity and a check character.
pub fn of(id: Uuid) -> String {
    let mut text = id.simple().to_string().to_ascii_uppercase();
    text.extend(check_character(&text));
    text
}

/// What was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Read {
    /// A record.
    Id(Uuid),
    /// Looks like a symbol's text, but its check character is another.
    Damaged,
    /// Something else, such as a code that was typed.
    Other,
}

/// Reads what a scanner typed.
pub fn read(text: &str) -> Read {
    let text = text.trim().to_ascii_uppercase();
    if text.len() != LENGTH || !text.bytes().all(|byte| ALPHABET.contains(&byte)) {
        return Read::Other;
    }
    let (id, check) = text.split_at(LENGTH - 1);
    match (check_character(id), Uuid::try_parse(id)) {
        (Some(expected), Ok(id)) if check.chars().eq([expected]) => Read::Id(id),
        _ => Read::Damaged,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_check_character_is_that_of_the_standard() {
        // Global Release Identifier standard, example A1-2425G-ABC1234002-M, which uses ISO/IEC 7064 MOD 37,36.
        assert_eq!(check_character("A12425GABC1234002"), Some('M'));
    }

    #[test]
    fn a_symbol_comes_back_as_its_record_and_any_changed_character_is_noticed() {
        let id = Uuid::parse_str("01900000-1234-7000-8000-0000deadbeef").unwrap();
        let text = of(id);
        assert_eq!(text.len(), LENGTH);
        assert_eq!(read(&text.to_ascii_lowercase()), Read::Id(id));
        for at in 0..LENGTH {
            let mut damaged: Vec<char> = text.chars().collect();
            damaged[at] = if damaged[at] == '7' { '8' } else { '7' };
            let damaged: String = damaged.into_iter().collect();
            assert_eq!(read(&damaged), Read::Damaged, "{at}");
        }
        assert_eq!(read("B-01"), Read::Other);
    }
}
