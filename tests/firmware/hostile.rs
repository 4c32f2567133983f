//! Tables that somebody has tampered with: a right checksum does not make the player read or
//! write memory that is none of its own.

use std::path::Path;
use std::process::Command;

use crate::board::Bench;
use crate::played::rig;
use crate::support;

const SEEKS: &str = "rig \"rig.yaml\"\nbands allow\nspeed 3000 microstep/s\naccel 60000 microstep/s^2\n\
    repeat 3 {\n  seek by -900 microstep until home at 2700 microstep/s\n  zero at -7 microstep\n  turn by 90 microstep\n}\n\
    seek by 60 microstep until home released at 33 microstep/s\n";

#[test]
fn tampered_tables_with_a_right_checksum_stay_within_their_bounds() {
    let Some(gcc) = support::tool("gcc") else {
        return;
    };
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/hostile_table.c");
    let examples = ["panorama.moves", "shutter-cured.moves", "dial.moves"];
    let benches = examples.map(|name| (name, Bench::example(name)));
    let seeks = Bench::new(SEEKS, &rig(&["disc"], "inputs: { home: {} }\n"));
    for (name, bench) in benches.into_iter().chain([("seeks", seeks)]) {
        bench.emit("firmware", "player", &[]).unwrap();
        let folder = bench.path().join("player");
        let built = Command::new(&gcc)
            .current_dir(&folder)
            .args(["-std=gnu99", "-O1", "-Wall", "-Wextra", "-Werror", "-I."])
            .args(["-fsanitize=address,undefined", "-fno-sanitize-recover=all"])
            .args(["-o", "hostile"])
            .arg(&source)
            .arg("schedule.c")
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&built.stderr);
        assert!(built.status.success(), "{said}");
        let out = Command::new(folder.join("hostile"))
            .arg("2000")
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&out.stderr);
        assert!(out.status.success(), "{name}: {said}");
        // Some were tampered with enough to be found out.
        let counts = String::from_utf8(out.stdout).unwrap();
        let damaged: u32 = counts.split(' ').next().unwrap().parse().unwrap();
        assert!(damaged > 100, "{name}: {counts}");
    }
}
