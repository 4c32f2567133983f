"""The draws of `check --variations`, shared out among the machines of a Dask cluster.

    python examples/variations_dask.py examples/carousel.moves --draws 2000 --parts 16 \
        --scheduler tcp://bench-server:8786 -- --plot draws.svg

Each part is one task: `slewsmith check SCRIPT --variations N --part K/M` prints its draws as
lines of JSON. The lines of all parts are merged here by `slewsmith check SCRIPT --merge FILES`,
which prints what one run would have printed, to the byte. What stands behind `--` goes to the
merging command.

Every machine needs the same slewsmith in its search path (or under the path that `--program`
names), and the script with its rig and profiles under the same path. Without `--scheduler`, a
cluster of `--workers` processes is started on this machine; as slewsmith uses all cores of a
machine itself, that is of use for a trial only. Needs `dask[distributed]` from PyPI.
"""

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from distributed import Client, LocalCluster


def draw(program: str, script: str, draws: int, seed: int, part: int, parts: int) -> str:
    """The lines of one part, made on the machine that this runs on."""
    command = [program, "check", script, "--quiet", "--variations", str(draws)]
    command += ["--seed", str(seed), "--part", f"{part}/{parts}"]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode != 0:
        raise RuntimeError(f"part {part} of {parts}: {done.stderr.strip()}")
    return done.stdout


def merge(program: str, script: str, lines: list[str], more: list[str]) -> int:
    """Prints what all parts come to; the exit code is that of the check."""
    with tempfile.TemporaryDirectory() as folder:
        files = []
        for number, text in enumerate(lines, 1):
            files.append(str(Path(folder) / f"part-{number}.jsonl"))
            Path(files[-1]).write_text(text)
        return subprocess.run([program, "check", script, *more, "--merge", *files]).returncode


def main() -> int:
    own, more = sys.argv[1:], []
    if "--" in own:
        at = own.index("--")
        own, more = own[:at], own[at + 1 :]
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("script")
    parser.add_argument("--draws", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--parts", type=int, default=8)
    parser.add_argument("--program", default="slewsmith")
    parser.add_argument("--scheduler", help="address of a scheduler; none: a cluster of its own")
    parser.add_argument("--workers", type=int, default=2, help="processes of a cluster of its own")
    given = parser.parse_args(own)
    script = str(Path(given.script).resolve())

    cluster = given.scheduler
    if cluster is None:
        cluster = LocalCluster(
            n_workers=given.workers, threads_per_worker=1, dashboard_address=None
        )
    with Client(cluster) as client:
        tasks = [
            client.submit(
                draw, given.program, script, given.draws, given.seed, part, given.parts, pure=False
            )
            for part in range(1, given.parts + 1)
        ]
        lines = client.gather(tasks)
    if given.scheduler is None:
        cluster.close()
    return merge(given.program, script, lines, more)


if __name__ == "__main__":
    sys.exit(main())
