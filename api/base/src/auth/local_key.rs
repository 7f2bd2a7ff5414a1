//! A secret of this installation that is not in the store, so that the store alone, or a backup of it, opens nothing: with it the
//! keys of access tokens are made and the bodies of requests are recognised.

use std::fs::OpenOptions;
use std::io::{self, Write as _};
use std::os::unix::fs::{OpenOptionsExt as _, PermissionsExt as _};
use std::path::Path;
use std::sync::OnceLock;

use hmac::{Hmac, KeyInit as _, Mac as _};
use sha2::Sha256;

use crate::auth::tokens::random_bytes;

static KEY: OnceLock<[u8; 32]> = OnceLock::new();

/// Name of the file in the data folder.
pub const FILE: &str = "door.key";

/// Reads the secret from the data folder, or makes it; if it is lost, everybody signs in again, and a request
/// that is repeated from before is refused in place of being answered again.
///
/// # Errors
/// A folder that cannot be read or written, a file that others may read or that does not hold 64 hexadecimal digits.
pub fn configure(data: &Path) -> io::Result<()> {
    // A second service in the same process keeps the first one's: the tests run several.
    let _ = KEY.set(read(data)?);
    Ok(())
}

fn read(data: &Path) -> io::Result<[u8; 32]> {
    let path = data.join(FILE);
    match std::fs::read_to_string(&path) {
        Ok(text) => {
            let mode = std::fs::metadata(&path)?.permissions().mode();
            if mode & 0o077 != 0 {
                return Err(io::Error::other(format!("{} may be read by others: chmod 600 it", path.display())));
            }
            let bytes = hex::decode(text.trim()).ok().and_then(|bytes| bytes.try_into().ok());
            bytes.ok_or_else(|| io::Error::other(format!("{} does not hold 64 hexadecimal digits", path.display())))
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => make(&path),
        Err(error) => Err(error),
    }
}

fn make(path: &Path) -> io::Result<[u8; 32]> {
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)?;
    }
    let key = random_bytes::<32>();
    let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)?;
    file.write_all(hex::encode(key).as_bytes())?;
    file.write_all(b"\n")?;
    file.sync_all()?;
    Ok(key)
}

/// Code of some parts for a purpose (HMAC-SHA-256), which nobody makes or guesses from without the secret. A program that was not
/// given one uses a random one of its own.
#[must_use]
pub fn code(purpose: &str, parts: &[&[u8]]) -> [u8; 32] {
    let key = KEY.get_or_init(random_bytes::<32>);
    // HMAC takes keys of any length.
    let Ok(mut code) = Hmac::<Sha256>::new_from_slice(key) else { return [0; 32] };
    code.update(b"ferrotitre 1 ");
    for part in std::iter::once(&purpose.as_bytes()).chain(parts) {
        code.update(&u64::try_from(part.len()).unwrap_or(u64::MAX).to_be_bytes());
        code.update(part);
    }
    code.finalize().into_bytes().into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_secret_is_made_once_kept_to_its_owner_and_refused_where_others_may_read_it() {
        let data = std::env::temp_dir().join(format!("ferrotitre-door-key-{}", std::process::id()));
        let _ = std::fs::remove_dir_all(&data);
        let made = read(&data).unwrap();
        assert_eq!(made, read(&data).unwrap());
        let file = data.join(FILE);
        assert_eq!(std::fs::metadata(&file).unwrap().permissions().mode() & 0o777, 0o600);
        std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o644)).unwrap();
        assert!(read(&data).unwrap_err().to_string().contains("chmod 600"));
        std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o600)).unwrap();
        std::fs::write(&file, "no digits").unwrap();
        assert!(read(&data).unwrap_err().to_string().contains("64 hexadecimal digits"));
        std::fs::remove_dir_all(data).unwrap();
    }

    #[test]
    fn a_code_depends_on_purpose_parts_and_their_bounds() {
        let whole = code("body", &[b"ab", b"c"]);
        assert_eq!(whole, code("body", &[b"ab", b"c"]));
        for other in [code("form", &[b"ab", b"c"]), code("body", &[b"a", b"bc"]), code("body", &[b"abc"])] {
            assert_ne!(whole, other);
        }
    }
}
