//! The committed document of the API goes into the program compressed: two megabytes that few ask for. And a release is linked small.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::{env, fs, io};

use flate2::Compression;
use flate2::write::GzEncoder;

/// What makes the program a seventh smaller: what is the same in several crates is kept once, and what the loader must add the address of
/// the program to is a list of places in few bits (glibc 2.36 or newer reads it).
const SMALL: [&str; 3] = ["--icf=all", "--ignore-data-address-equality", "-zpack-relative-relocs"];

fn main() -> io::Result<()> {
    let document = concat!(env!("CARGO_MANIFEST_DIR"), "/../../openapi/openapi.json");
    println!("cargo::rerun-if-changed={document}");
    println!("cargo::rerun-if-changed=build.rs");
    let folder = env::var_os("OUT_DIR").ok_or_else(|| io::Error::other("cargo names no OUT_DIR"))?;
    let mut packed = GzEncoder::new(fs::File::create(Path::new(&folder).join("openapi.json.gz"))?, Compression::best());
    packed.write_all(&fs::read(document)?)?;
    packed.finish()?;
    if env::var("PROFILE").as_deref() == Ok("release") && links_with_lld() && loads_packed_relocations() {
        for flag in SMALL {
            println!("cargo::rustc-link-arg-bins=-Wl,{flag}");
        }
    }
    Ok(())
}

/// Whether the compiler brings the linker that knows these flags and takes it by itself: on Linux for x86-64, unless told otherwise.
fn links_with_lld() -> bool {
    let target = env::var("TARGET").unwrap_or_default();
    let told = env::var("CARGO_ENCODED_RUSTFLAGS").is_ok_and(|flags| flags.contains("link"));
    let named = env::var_os("RUSTC_LINKER").is_some();
    let root = || {
        let output = Command::new(env::var_os("RUSTC")?).args(["--print", "sysroot"]).output().ok()?;
        Some(PathBuf::from(String::from_utf8(output.stdout).ok()?.trim()))
    };
    target == "x86_64-unknown-linux-gnu"
        && !told
        && !named
        && root().is_some_and(|root| root.join("lib/rustlib").join(&target).join("bin/gcc-ld/ld.lld").exists())
}

/// Whether the C library here, for which the program is linked, is new enough.
fn loads_packed_relocations() -> bool {
    let newest = Command::new("getconf").arg("GNU_LIBC_VERSION").output().ok();
    let text = newest.and_then(|output| String::from_utf8(output.stdout).ok()).unwrap_or_default();
    let minor = text.trim().strip_prefix("glibc 2.").and_then(|minor| minor.split('.').next()?.parse::<u32>().ok());
    minor.is_some_and(|minor| minor >= 36)
}
