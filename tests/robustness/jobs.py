"""A random series divided among processes: each has a seed of its own, the counts are added up."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections import Counter


def divided(module: str, count: int, seed: int, jobs: int, rest: list[str]) -> int:
    """Run COUNT variants of a program in so many processes; print sums and all that went wrong.

    Lines ``WHAT: NUMBER`` and ``WHAT: NUMBER (N THIS, M THAT)`` are counts; everything else is
    printed with the seed that brings it back. Returns 0 where every process returned it.
    """
    start, running = time.monotonic(), []
    for job in range(jobs):
        share, own = count // jobs + (job < count % jobs), 1000 * seed + job
        words = [sys.executable, "-X", "faulthandler", "-m", module, str(share), str(own), *rest]
        running.append(
            (own, subprocess.Popen(words, stdout=-1, stderr=subprocess.STDOUT, text=True))
        )
    sums, worst = Counter[str](), 0
    for own, process in running:
        text, _ = process.communicate()
        for line in text.splitlines():
            if found := re.fullmatch(r"(.+): (\d+)(?: \((.*)\))?", line):
                sums[found[1]] += int(found[2])
                for number, what in re.findall(r"(\d+) ([^,]+)", found[3] or ""):
                    sums[f"{found[1]}, {what}"] += int(number)
            elif line:
                print(f"seed {own}: {line}")
        if process.returncode:
            print(f"seed {own}: ended with {process.returncode}")
            worst = 1
    for what, number in sorted(sums.items()):
        print(f"{what}: {number}")
    seconds = time.monotonic() - start
    print(f"{count} in {jobs} processes, {seconds:.0f} s; {'wrong' if worst else 'clean'}")
    return worst
