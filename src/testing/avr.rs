//! Projects of the player, built for the part that they are made for.

use std::process::Command;

use super::posix_board::must;
use super::support::tool;
use crate::player::Project;

/// What a built player takes of its part (bytes).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Built {
    pub(crate) flash: usize,
    pub(crate) ram: usize,
}

/// Has `make` build a project; none where a tool is missing.
#[track_caller]
pub(crate) fn build(project: &Project) -> Option<Built> {
    for name in ["avr-gcc", "make"] {
        tool(name)?;
    }
    let avr_size = tool("avr-size")?;
    let folder = tempfile::tempdir().unwrap();
    for file in &project.files {
        std::fs::write(folder.path().join(file.name), &file.text).unwrap();
    }
    must(Command::new("make").arg("-sC").arg(folder.path()));
    let said = Command::new(avr_size)
        .arg(folder.path().join("player.elf"))
        .output()
        .unwrap();
    let said = String::from_utf8(said.stdout).unwrap();
    let second = said.lines().nth(1).unwrap();
    let mut sizes = second
        .split_whitespace()
        .map(|size| size.parse().unwrap_or(0));
    let [text, data, bss] = [(); 3].map(|()| sizes.next().unwrap());
    Some(Built {
        flash: text + data,
        ram: data + bss,
    })
}
