//! Coil tables as they are written, read back by others.

use crate::testing::support;
use std::path::Path;
use std::process::Command;

use crate::diagnostic::Source;
use crate::emit::CoilFormat;
use crate::files::{FilesOnDisk, read_source};
use crate::physics::CoilTable;
use crate::rig::{NoFiles, Rig};

fn tables() -> Vec<CoilTable> {
    let motor = "motor: { rotor_teeth: 50, phase_resistance: 2.1 ohm, phase_inductance: 4.2 mH, \
                 rated_current: 1.5 A, holding_torque: 0.42 N.m, rotor_inertia: 65 g.cm^2 }";
    let text = format!(
        "axes:\n  tray-1: {{ {motor}, drive: {{ kind: linear-current, supply: 15 V, peak_current: 0.9 A, \
         microsteps: 4, sense_resistor: 0.5 ohm, sense_gain: 4, converter_bits: 8, converter_reference: 2.5 V }} }}\n  \
         tray_1: {{ {motor}, drive: {{ kind: fixed-voltage, sequence: half-step, supply: 3.15 V }} }}\n\
         timer: {{ clock: 8 MHz }}\n"
    );
    let read = Rig::parse(&Source::new("rig.yaml", text), &mut NoFiles).unwrap();
    read.rig.axes.iter().map(CoilTable::of).collect()
}

fn written(tables: &[CoilTable], format: CoilFormat) -> String {
    let mut bytes = Vec::new();
    format.write(tables, &mut bytes).unwrap();
    String::from_utf8(bytes).unwrap()
}

#[test]
fn the_table_for_reading() {
    insta::assert_snapshot!(written(&tables(), CoilFormat::Table));
}

/// A converter's rounding leaves errors of all sizes and both signs.
#[test]
fn no_zero_in_a_table_has_a_minus() {
    let rig = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/carousel.yaml");
    let rig = Rig::parse(&read_source(&rig).unwrap(), &mut FilesOnDisk).unwrap();
    let carousel: Vec<CoilTable> = rig.rig.axes.iter().map(CoilTable::of).collect();
    let table = written(&carousel, CoilFormat::Table) + &written(&tables(), CoilFormat::Table);
    let numbers = table.split(|c: char| !(c.is_ascii_digit() || "+-.".contains(c)));
    for number in numbers.filter(|number| number.starts_with('-') && number.len() > 1) {
        assert!(
            number.contains(|c: char| ('1'..='9').contains(&c)),
            "{number} in\n{table}"
        );
    }
    assert!(table.contains(" 0.0000°"));
}

#[test]
fn the_c_header() {
    insta::assert_snapshot!(written(&tables(), CoilFormat::C));
}

/// Code = round(I · Rs · g / Vref · 2^bits): 0.9 A · 0.5 Ω · 4 / 2.5 V · 256 = 184.32,
/// and the cosines of 22.5°, 45° and 67.5° of it; worked by hand.
#[test]
fn csv_and_json_carry_the_same_codes() {
    let csv = written(&tables(), CoilFormat::Csv);
    let mut lines = csv.lines();
    let heading: Vec<&str> = lines.next().unwrap().split(',').collect();
    let column = heading.iter().position(|name| *name == "code_a").unwrap();
    let rows: Vec<Vec<&str>> = lines.map(|line| line.split(',').collect()).collect();
    assert!(rows.iter().all(|row| row.len() == heading.len()));
    assert_eq!(rows.len(), 16 + 8);
    let codes: Vec<&str> = rows[..5].iter().map(|row| row[column]).collect();
    assert_eq!(codes, ["184", "170", "130", "71", "0"]);

    let json: serde_json::Value =
        serde_json::from_str(&written(&tables(), CoilFormat::Json)).unwrap();
    let positions = json["axes"][0]["positions"].as_array().unwrap();
    for (position, row) in positions.iter().zip(&rows) {
        assert_eq!(position["phase_a"]["code"].to_string(), row[column]);
    }
    assert!(json["axes"][1]["positions"][0]["phase_a"]["code"].is_null());
    assert_eq!(json["axes"][1]["positions"][1]["phase_b"]["sign"], 1);
}

/// The header compiles without a warning and holds what it should: the signed codes of
/// phase B over a cycle, each times its position, added up by the compiled program.
#[test]
fn a_c_compiler_reads_the_header() {
    let Some(gcc) = support::tool("gcc") else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(
        folder.path().join("coils.h"),
        written(&tables(), CoilFormat::C),
    )
    .unwrap();
    let program = "#include <stdio.h>\n#include \"coils.h\"\nint main(void) {\n\
         unsigned i; long sum = 0;\n\
         for (i = 0; i < COIL_TRAY_1_POSITIONS; i++)\n\
         sum += coil_tray_1_sign_b[i] * (long)coil_tray_1_code_b[i] * (long)i;\n\
         printf(\"%ld\\n\", sum);\nreturn 0;\n}\n";
    let source = folder.path().join("main.c");
    std::fs::write(&source, program).unwrap();
    let binary = folder.path().join("main");
    let built = Command::new(gcc)
        .args(["-std=c99", "-Wall", "-Wextra", "-pedantic", "-Werror", "-o"])
        .args([&binary, &source])
        .output()
        .unwrap();
    assert!(
        built.status.success(),
        "{}",
        String::from_utf8_lossy(&built.stderr)
    );
    let sum = Command::new(&binary).output().unwrap().stdout;
    let expected: i64 = tables()[0]
        .rows
        .iter()
        .map(|row| {
            i64::from(row.b.sign) * i64::from(row.b.code.unwrap().value) * i64::from(row.index)
        })
        .sum();
    assert_eq!(String::from_utf8(sum).unwrap().trim(), expected.to_string());
}

#[test]
fn compilers_for_microcontrollers_take_the_header() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(
        folder.path().join("coils.h"),
        written(&tables(), CoilFormat::C),
    )
    .unwrap();
    let source = folder.path().join("main.c");
    let program = "#include \"coils.h\"\nint main(void) { return coil_tray_1_sign_b[1]; }\n";
    std::fs::write(&source, program).unwrap();
    for (compiler, part) in [
        ("avr-gcc", "-mmcu=atmega328p"),
        ("arm-none-eabi-gcc", "-mcpu=cortex-m0"),
    ] {
        let Some(compiler) = support::tool(compiler) else {
            continue;
        };
        let built = Command::new(compiler)
            .args([part, "-Os", "-std=c99", "-Wall", "-Wextra", "-pedantic"])
            .args(["-Wno-unused-const-variable", "-Werror", "-c", "-o"])
            .args([&folder.path().join("main.o"), &source])
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&built.stderr);
        assert!(built.status.success(), "{said}");
    }
}
