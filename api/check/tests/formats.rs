//! The forms of heads, proofs and countersignatures beside published vectors and an implementation nobody here wrote.

use std::collections::BTreeMap;

use ed25519_dalek::{Signature, Signer as _, SigningKey, VerifyingKey};
use ferrotitre_check::note::{Checkpoint, KeyKind, NamedKey, Note, NoteError, SignatureLine, cosigned};
use ferrotitre_check::proof::LeafProof;
use ferrotitre_check::witness::{Decision, Evidence, Known, Request, decide};
use ferrotitre_core::merkle::{Hash, consistency_proof, inclusion_proof, leaf_hash, root};
use tlog_tiles::tlog;

/// RFC 8032, section 7.1, TEST 1 to TEST 3: public key, message, signature.
const RFC_8032: [[&str; 3]; 3] = [
    [
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    ],
    [
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ],
    [
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
    ],
];

/// Documentation of the package golang.org/x/mod/sumdb/note: a key and a note signed by it.
const KEY: &str = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW";
const NOTE: &str = "If you think cryptography is the answer to your problem,\n\
    then you don't know what your problem is.\n\n\
    \u{2014} PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n";

/// The example of the C2SP text tlog-cosignature.
const COSIGNED: &str = "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n\n\
    \u{2014} example.com/behind-the-sofa Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=\n\
    \u{2014} witness.example.com/w1 jWbPPwAAAABkGFDLEZMHwSRaJNiIDoe9DYn/zXcrtPHeolMI5OWXEhZCB9dlrDJsX3b2oyin1nPZqhf5nNo0xUe+mbIUBkBIfZ+qnA==\n";

fn key(seed: u8, name: &str, kind: KeyKind) -> (SigningKey, NamedKey) {
    let signing = SigningKey::from_bytes(&[seed; 32]);
    let named = NamedKey { name: name.to_owned(), kind, key: signing.verifying_key() };
    (signing, named)
}

fn leaves(count: u64) -> Vec<Hash> {
    (0..count).map(|at| leaf_hash(&at.to_be_bytes())).collect()
}

fn signed(signing: &SigningKey, named: &NamedKey, leaves: &[Hash]) -> String {
    let text = Checkpoint { origin: named.name.clone(), size: leaves.len() as u64, root: root(leaves) }.text();
    let line = SignatureLine::by(named, &signing.sign(text.as_bytes()).to_bytes());
    Note { text, signatures: vec![line] }.print()
}

#[test]
fn signatures_of_rfc_8032_hold_and_others_do_not() {
    for [public, message, signature] in RFC_8032 {
        let public = VerifyingKey::from_bytes(&hex::decode(public).unwrap().try_into().unwrap()).unwrap();
        let signature = Signature::from_slice(&hex::decode(signature).unwrap()).unwrap();
        let mut message = hex::decode(message).unwrap();
        assert!(public.verify_strict(&message, &signature).is_ok());
        message.push(0);
        assert!(public.verify_strict(&message, &signature).is_err());
    }
}

#[test]
fn a_published_note_is_read_and_holds() {
    let key = NamedKey::read(KEY).unwrap();
    assert_eq!((key.name.as_str(), key.text().as_str()), ("PeterNeumann", KEY));
    let note = Note::read(NOTE).unwrap();
    assert_eq!(note.print(), NOTE);
    let keys = [key];
    assert_eq!(note.signed_by(&keys).unwrap().len(), 1);
    let altered = Note::read(&NOTE.replace("answer", "reason")).unwrap();
    assert_eq!(altered.signed_by(&keys), Err(NoteError::Signature("PeterNeumann".to_owned())));
    let (_, other) = self::key(1, "PeterNeumann", KeyKind::Note);
    assert_eq!(note.signed_by(&[other]), Err(NoteError::Unsigned));
}

#[test]
fn the_example_of_a_countersigned_checkpoint_is_read() {
    let note = Note::read(COSIGNED).unwrap();
    let checkpoint = Checkpoint::read(&note.text).unwrap();
    assert_eq!((checkpoint.origin.as_str(), checkpoint.size), ("example.com/behind-the-sofa", 20_852_163));
    assert_eq!(checkpoint.text(), note.text);
    assert_eq!(note.signatures[1].time(), Some(1_679_315_147));
    assert_eq!(note.print(), COSIGNED);
    // Its message is the one the text prints.
    let message = "cosignature/v1\ntime 1679315147\nexample.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n";
    assert_eq!(cosigned(1_679_315_147, &note.text), message);
}

#[test]
fn notes_keys_and_checkpoints_of_another_form_are_refused() {
    let without_line = "text\n";
    let control = "te\u{1}xt\n\n\u{2014} a AAAAAAA=\n";
    let no_name = "text\n\n\u{2014}  AAAAAAA=\n";
    let not_base64 = "text\n\n\u{2014} a AAAA_AA=\n";
    let cut = "text\n\n\u{2014} a AAAAAAA=";
    for wrong in [without_line, control, no_name, not_base64, cut] {
        assert!(Note::read(wrong).is_err(), "{wrong:?}");
    }
    for wrong in
        ["a+b", "a+00000000+AQ==", "+c74f20a3+AR", &KEY.replace("c74f20a3", "c74f20a4"), &KEY.replace('P', "Q")]
    {
        assert!(NamedKey::read(wrong).is_err(), "{wrong}");
    }
    for wrong in [
        "a\n1\n",
        "a\n01\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n",
        "\n1\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n",
    ] {
        assert!(Checkpoint::read(wrong).is_err(), "{wrong:?}");
    }
}

/// The crates signed_note and tlog_tiles, which nobody here wrote, read and check what is written here.
#[test]
fn another_implementation_accepts_our_heads_and_proofs() {
    let (signing, named) = key(7, "ferrotitre/0123456789abcdef", KeyKind::Note);
    for size in [1_u64, 2, 7, 8, 100] {
        let leaves = leaves(size);
        let printed = signed(&signing, &named, &leaves);
        let verifier = signed_note::StandardVerifier::new(&named.text()).unwrap();
        let note = signed_note::Note::from_bytes(printed.as_bytes()).unwrap();
        let (verified, others) = note.verify(&signed_note::VerifierList::new(vec![Box::new(verifier)])).unwrap();
        assert_eq!((verified.len(), others.len()), (1, 0));
        let checkpoint = tlog_tiles::Checkpoint::from_bytes(note.text()).unwrap();
        assert_eq!((checkpoint.origin(), checkpoint.size()), (named.name.as_str(), size));
        for at in [0, size / 2, size - 1] {
            let proof = LeafProof { index: at, path: inclusion_proof(&leaves, at).unwrap(), note: printed.clone() };
            let read = LeafProof::read(&proof.print()).unwrap();
            assert_eq!(read, proof);
            let leaf = leaves[usize::try_from(at).unwrap()];
            assert_eq!(read.holds(&leaf).unwrap().size, size);
            assert!(read.holds(&leaf_hash(b"other")).is_err());
            let path: Vec<tlog::Hash> = read.path.iter().map(|node| tlog::Hash(*node)).collect();
            tlog::check_record(&path, size, *checkpoint.hash(), at, tlog::Hash(leaf)).unwrap();
        }
        for older in [1, size.div_ceil(2), size] {
            let old_root = root(&leaves[..usize::try_from(older).unwrap()]);
            let path = consistency_proof(&leaves, older).unwrap();
            let path: Vec<tlog::Hash> = path.iter().map(|node| tlog::Hash(*node)).collect();
            tlog::check_tree(&path, size, *checkpoint.hash(), older, tlog::Hash(old_root)).unwrap();
        }
    }
}

/// C2SP tlog-witness: every answer the text names.
#[test]
fn a_witness_decides_as_the_text_says() {
    let (signing, log) = key(7, "ferrotitre/log", KeyKind::Note);
    let (stranger, _) = key(8, "ferrotitre/log", KeyKind::Note);
    let (all, fork) = (leaves(9), {
        let mut other = leaves(9);
        other[2] = leaf_hash(b"other");
        other
    });
    let known = |size: usize| Known {
        latest: Some(Checkpoint { origin: log.name.clone(), size: size as u64, root: root(&all[..size]) }),
        history: BTreeMap::from([(3, root(&all[..3])), (size as u64, root(&all[..size]))]),
    };
    let asked = |old: u64, of: &[Hash], by: &SigningKey| Request {
        old,
        proof: consistency_proof(of, old.min(of.len() as u64)).unwrap(),
        note: signed(by, &log, of),
    };
    let keys = [log.clone()];
    let decided = |request: &Request, size: usize| {
        let again = Request::read(&request.print()).unwrap();
        let known = (size > 0).then(|| known(size));
        decide(&again, &keys, |_| known.as_ref())
    };
    let good = |request: &Request, size| matches!(decided(request, size), (Decision::Countersign(_), None));
    assert!(good(&asked(0, &all[..5], &signing), 0), "the first time");
    assert!(good(&asked(5, &all, &signing), 5), "a log that went on");
    assert!(good(&asked(9, &all, &signing), 9), "the same again");
    assert_eq!(
        decided(&asked(0, &all, &signing), 5),
        (Decision::Conflict(5), None),
        "an asker that does not know the size"
    );
    assert_eq!(
        decided(&asked(5, &fork, &signing), 5),
        (Decision::Inconsistent, Some(Evidence::Fork)),
        "a rewritten log"
    );
    assert_eq!(
        decided(&asked(9, &fork, &signing), 9),
        (Decision::Conflict(9), Some(Evidence::Fork)),
        "of the same size"
    );
    assert_eq!(
        decided(&asked(0, &fork[..3], &signing), 9),
        (Decision::Conflict(9), Some(Evidence::Fork)),
        "of a size seen before"
    );
    assert_eq!(decided(&asked(0, &all[..3], &signing), 9), (Decision::Conflict(9), None), "an old head that is known");
    assert_eq!(
        decided(&asked(0, &all[..4], &signing), 9),
        (Decision::Conflict(9), Some(Evidence::Older)),
        "a store put back"
    );
    assert_eq!(decided(&asked(5, &all, &stranger), 5), (Decision::Forbidden, None), "a stranger's signature");
    assert!(matches!(decided(&asked(9, &all[..5], &signing), 9), (Decision::Malformed(_), None)));
    let (_, other) = key(7, "ferrotitre/other", KeyKind::Note);
    let of_it = known(5);
    let unknown = decide(&asked(5, &all, &signing), &[other], |_| Some(&of_it));
    assert_eq!(unknown, (Decision::Unknown, None));
}
