//! The program as an auditor runs it, on a bundle of a titrant lot that was taken out of the demo laboratory.
#![expect(clippy::unwrap_used, reason = "a test stops at what it did not expect")]

use std::path::PathBuf;
use std::process::Command;

use ferrotitre_check::bundle::{Against, Brought, Bundle};

/// Fingerprint of the log's key, noted when the bundle was taken out.
const FINGERPRINT: &str = "5aa9bb14d365e71534975230ed451cfeb53ce7585f7f1ae52cff28f5a92d802d";

fn data() -> PathBuf {
    [env!("CARGO_MANIFEST_DIR"), "tests", "data", "lot.bundle"].iter().collect()
}

fn run(arguments: &[&str]) -> (Option<i32>, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_ferrotitre-check")).args(arguments).output().unwrap();
    let said = [output.stdout, output.stderr].concat();
    (output.status.code(), String::from_utf8(said).unwrap())
}

#[test]
fn a_good_bundle_is_proved_with_the_key_that_was_brought_and_no_other() {
    let file = data();
    let file = file.to_str().unwrap();
    let (code, said) = run(&[file, "--key", FINGERPRINT]);
    assert_eq!(code, Some(0), "{said}");
    for says in ["PROVED: the log ferrotitre/", "D-1, prepared", "digit for digit", "NOT SHOWN: the times"] {
        assert!(said.contains(says), "no {says}: {said}");
    }
    let grouped: Vec<String> =
        FINGERPRINT.as_bytes().chunks(4).map(|part| String::from_utf8_lossy(part).to_uppercase()).collect();
    assert_eq!(run(&[file, "--key", &grouped.join(" ")]).0, Some(0), "as read aloud");
    let (code, said) = run(&[file, "--key", &FINGERPRINT.replace('a', "b")]);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("NOT PROVED") && said.contains(FINGERPRINT), "{said}");
    assert_eq!(run(&[file, "--key", FINGERPRINT, "--need", "1"]).0, Some(1), "no witness has countersigned");
}

#[test]
fn a_command_that_cannot_be_carried_out_says_how() {
    let file = data();
    let file = file.to_str().unwrap();
    let wrong: [&[&str]; 6] = [
        &[],
        &[file],
        &[file, "--key", "12"],
        &["nowhere.bundle", "--key", FINGERPRINT],
        &[file, "--all"],
        &["--help"],
    ];
    for arguments in wrong {
        let (code, said) = run(arguments);
        assert_eq!(code, Some(2), "{arguments:?}");
        assert!(said.contains("ferrotitre-check FILE --key KEY"), "{said}");
    }
}

/// Every byte changed once, by one that is of the same kind where there is one.
#[test]
fn every_changed_byte_is_refused() {
    let file = std::fs::read(data()).unwrap();
    let key = Brought::read(FINGERPRINT).unwrap();
    let accepts = |file: &[u8]| Bundle::check(file, &Against { key: &key, witnesses: &[], needed: 0 }).is_ok();
    assert!(accepts(&file));
    let other = |byte: u8| match byte {
        b'9' => b'0',
        b'z' => b'a',
        b'Z' => b'A',
        byte if byte.is_ascii_alphanumeric() => byte + 1,
        byte => byte ^ 1,
    };
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let accepted: Vec<usize> = std::thread::scope(|scope| {
        let (file, accepts) = (&file, &accepts);
        let parts: Vec<_> = (0..cores)
            .map(|core| {
                scope.spawn(move || {
                    let mut changed = file.clone();
                    let mut found = Vec::new();
                    for at in (core..file.len()).step_by(cores) {
                        changed[at] = other(file[at]);
                        found.extend(accepts(&changed).then_some(at));
                        changed[at] = file[at];
                    }
                    found
                })
            })
            .collect();
        parts.into_iter().flat_map(|part| part.join().unwrap()).collect()
    });
    assert_eq!(accepted, Vec::<usize>::new());
}
