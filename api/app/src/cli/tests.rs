//! How lines are taken.

use super::*;

#[test]
fn the_data_folder_is_named_before_or_after_what_is_done_with_accounts() {
    let create = ["create", "mara", "--name", "Mara Lindqvist", "--role", "manager"];
    for (before, after) in [(&["--data", "/there"][..], &[][..]), (&[][..], &["--data", "/there"][..])] {
        let line = ["ferrotitre", "account"].iter().chain(before).chain(&create).chain(after);
        let Command::Account(arguments) = Cli::try_parse_from(line).unwrap().command else {
            panic!("not that command")
        };
        assert_eq!(arguments.store.data, Path::new("/there"));
    }
    let alone = Cli::try_parse_from(["ferrotitre", "account", "reset", "mara"]).unwrap();
    assert!(matches!(alone.command, Command::Account(of) if of.store.data == Path::new("data")));
}
