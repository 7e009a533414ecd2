"""Run every benchmark in a process of its own and write docs/performance.md.

Run: python -m tests.benchmarks [NAME ...] from the repository's root, on a machine that does
nothing else. Without names all are run and the page is written; with names those are only printed.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

FOLDER = Path(__file__).parent
ROOT = FOLDER.parents[1]
PAGE = ROOT / "docs" / "performance.md"

SECTIONS = {
    "models": "Chips per second under every excitation",
    "intime": "Chips in time, every cell apart",
    "startup": "Start-up and compiling",
    "export": "Export",
}


def processor() -> str:
    """Model name of the processor, as Linux tells it."""
    for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
        if line.startswith("model name"):
            return line.split(":", 1)[1].strip()
    return platform.processor()


def run(name: str) -> str:
    """What one benchmark prints."""
    print(f"== {name}", flush=True)
    done = subprocess.run(
        [sys.executable, "-m", f"tests.benchmarks.bench_{name}"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    print(done.stdout, flush=True)
    if done.returncode != 0:
        sys.exit(f"bench_{name}.py failed:\n{done.stderr}")
    return done.stdout.strip()


def block(text: str) -> str:
    """Tables as they are, other lines as a list."""
    lines = []
    for line in text.splitlines():
        lines.append(line if line.startswith("|") or not line else f"- {line.strip()}")
    return "\n".join(lines)


def main() -> None:
    chosen = sys.argv[1:]
    found = {name: run(name) for name in chosen or SECTIONS}
    if chosen:
        return
    introduction = (FOLDER / "introduction.md").read_text(encoding="utf-8")
    versions = ", ".join(f"{name} {version(name)}" for name in ("numpy", "scipy", "numba", "pymoo"))
    machine = (
        f"Measured on {len(os.sched_getaffinity(0))} processors ({processor()}), Python "
        f"{platform.python_version()}, {versions}."
    )
    parts = [introduction.replace("MACHINE", machine).strip()]
    parts += [f"## {SECTIONS[name]}\n\n{block(text)}" for name, text in found.items()]
    PAGE.write_text("\n\n".join(parts) + "\n", encoding="utf-8")
    print(f"Wrote {PAGE.relative_to(ROOT)}")


if __name__ == "__main__":
    main()
