//! The program.

fn main() -> std::process::ExitCode {
    ferrotitre_api::cli::main()
}
