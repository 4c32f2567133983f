//! The streaming player, compiled for this machine.

use std::path::{Path, PathBuf};
use std::process::Command;

use super::support::tool;

/// Compiles the project of the streaming player in `folder`, with a board of this machine;
/// none where a tool is missing.
pub(crate) fn compile(folder: &Path, coils: bool) -> Option<PathBuf> {
    let (gcc, make) = (tool("gcc")?, tool("make")?);
    let switching = if coils { " -DCOILS" } else { "" };
    let flags = "-O2 -Werror -DBOARD_LEAD=4u -DBOARD_TO_ARM=4u -fsanitize=address,undefined -fno-sanitize-recover=all";
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let source = root.join("tests/outside/board_posix.c");
    std::fs::copy(&source, folder.join("board_posix.c")).unwrap();
    must(
        Command::new(make)
            .current_dir(folder)
            .args(["--silent", "clean", "objects"])
            .arg("SOURCES=player.c link.c board_posix.c")
            .arg(format!("CC={}", gcc.display()))
            .arg(format!("CFLAGS={flags}{switching}")),
    );
    must(
        Command::new(gcc)
            .current_dir(folder)
            .args(["player.o", "link.o", "board_posix.o"])
            .args(["-fsanitize=address,undefined", "-o", "board"]),
    );
    Some(folder.join("board"))
}

/// Runs what has to succeed.
pub(crate) fn must(command: &mut Command) {
    let done = command.output().unwrap();
    assert!(
        done.status.success(),
        "{command:?}: {}",
        String::from_utf8_lossy(&done.stderr)
    );
}
