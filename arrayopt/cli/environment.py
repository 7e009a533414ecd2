"""``arrayopt environment``: what a report of trouble should contain."""

from __future__ import annotations

import os
import platform
from importlib.metadata import PackageNotFoundError, version

import click

from arrayopt.cli.say import say

PACKAGES = (
    "arrayopt",
    "numpy",
    "scipy",
    "numba",
    "llvmlite",
    "pymoo",
    "xarray",
    "netCDF4",
    "click",
    "rich",
    "matplotlib",
    "gdstk",
    "ezdxf",
    "distributed",
)


@click.command(
    epilog="\b\nExample:\n  arrayopt environment\n  python   3.11.7\n  arrayopt 0.1.0 ..."
)
def command() -> None:
    """Print versions and processor, for a report of trouble."""
    from arrayopt.runs.power.cluster import processor

    rows = [("python", platform.python_version()), ("system", platform.platform())]
    for name in PACKAGES:
        try:
            rows.append((name, version(name)))
        except PackageNotFoundError:
            rows.append((name, "not installed"))
    rows.append(("processors", str(len(os.sched_getaffinity(0)))))
    rows.append(("processor", processor()))
    for name, value in rows:
        say(f"{name:<12} {value}")
