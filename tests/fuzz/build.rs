//! Compiles the board's C of two emitted projects for this machine, with sanitizers.
//! `tests/fuzz/run` emits them into the folder that SLEWSMITH_BOARD names.

use std::env;
use std::path::Path;

const SANITIZERS: &str = "-fsanitize=address,undefined";

fn main() {
    let projects = env::var("SLEWSMITH_BOARD").expect("tests/fuzz/run names the folder of the projects");
    println!("cargo:rerun-if-env-changed=SLEWSMITH_BOARD");
    println!("cargo:rerun-if-changed=board");
    println!("cargo:rerun-if-changed=../outside");
    println!("cargo:rerun-if-changed={projects}");
    cc::Build::new()
        .cargo_metadata(false)
        .file("board/coverage.c")
        .opt_level(2)
        .compile("board_coverage");
    for (name, sources, source_of_events) in [
        ("table", &["schedule.c"][..], "MEMORY"),
        ("line", &["player.c", "link.c"], "STREAMED"),
    ] {
        let folder = Path::new(&projects).join(name);
        // Each of the two programs links its own.
        cc::Build::new()
            .cargo_metadata(false)
            .include(&folder)
            .file(format!("board/{name}.c"))
            .files(sources.iter().map(|source| folder.join(source)))
            .std("gnu99")
            .opt_level(2)
            .debug(true)
            .define(source_of_events, None)
            .define("BOARD_LEAD", "4u")
            .define("BOARD_TO_ARM", "4u")
            .flag(SANITIZERS)
            .flag("-fno-sanitize-recover=all")
            .flag("-fsanitize-coverage=trace-pc")
            .compile(&format!("board_{name}"));
        // Rust names no default libraries. The sanitizer has to come before libc, which it does
        // as a part of the program. Of what counts coverage libFuzzer has one that does nothing;
        // the first one is taken.
        for argument in [
            "-Wl,--whole-archive,-l:libasan.a,--no-whole-archive",
            "-lubsan",
            "-Wl,-z,muldefs",
        ] {
            println!("cargo:rustc-link-arg-bin=board_{name}={argument}");
        }
    }
    let built = env::var("OUT_DIR").expect("cargo gives build scripts a folder");
    println!("cargo:rustc-link-search=native={built}");
}
