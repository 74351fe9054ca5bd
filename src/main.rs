//! The `bassay` program.

fn main() -> std::process::ExitCode {
    bassay::cli::main()
}
