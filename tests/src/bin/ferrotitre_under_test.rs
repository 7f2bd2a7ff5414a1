//! The program as the tests start and kill it: the same one line as `api/app/src/main.rs`, built where the tests find it.

fn main() -> std::process::ExitCode {
    ferrotitre_api::cli::main()
}
