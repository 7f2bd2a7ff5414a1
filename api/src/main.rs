//! The program.

/// Gives memory back after the start and after bursts; the C library's allocator keeps a third more for good.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> std::process::ExitCode {
    ferrotitre_api::cli::main()
}
