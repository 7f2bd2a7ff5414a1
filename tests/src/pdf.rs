//! Documents as PDF, read by a program that is not ours.

use std::path::PathBuf;

/// What poppler's `pdfinfo` says about a document and `pdftotext` reads in it.
#[derive(Debug)]
pub struct Read {
    /// Lines `name: value`, then the metadata as XMP.
    pub info: String,
    /// All text, white space run together.
    pub text: String,
    /// What each part is to those who listen to the document (ISO 32000-1, 14.8.4), one to a line.
    pub structure: String,
}

/// Reads a document.
///
/// # Panics
/// If poppler's programs are missing or cannot read the document.
pub async fn read(bytes: &[u8]) -> Read {
    let file: PathBuf = std::env::temp_dir().join(format!("ferrotitre-{}.pdf", uuid::Uuid::now_v7()));
    std::fs::write(&file, bytes).unwrap();
    let ask = async |program: &str, arguments: &[&str]| {
        let output = tokio::process::Command::new(program).arg(&file).args(arguments).output().await.unwrap();
        let complaints = String::from_utf8_lossy(&output.stderr);
        // Poppler 22 takes the boolean that ISO 32000-1 (table 321) asks for to be a mistake.
        let others =
            complaints.lines().filter(|line| !line.is_empty() && !line.contains("Suspects object is wrong type"));
        assert!(output.status.success() && others.count() == 0, "{complaints}");
        String::from_utf8(output.stdout).unwrap()
    };
    let info = ask("pdfinfo", &[]).await + &ask("pdfinfo", &["-meta"]).await;
    let text = ask("pdftotext", &["-"]).await;
    let structure = ask("pdfinfo", &["-struct"]).await;
    std::fs::remove_file(&file).unwrap();
    Read { info, text: text.split_whitespace().collect::<Vec<_>>().join(" "), structure }
}
