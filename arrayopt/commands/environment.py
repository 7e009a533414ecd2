"""``arrayopt environment``: what a report of trouble should contain."""

from __future__ import annotations

import os
import platform
from importlib.metadata import PackageNotFoundError, version

import click

PACKAGES = (
    "arrayopt",
    "numpy",
    "scipy",
    "numba",
    "llvmlite",
    "pymoo",
    "xarray",
    "netCDF4",
    "pydantic",
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
    rows = [("python", platform.python_version()), ("system", platform.platform())]
    for name in PACKAGES:
        try:
            rows.append((name, version(name)))
        except PackageNotFoundError:
            rows.append((name, "not installed"))
    rows.append(("processors", str(len(os.sched_getaffinity(0)))))
    rows.append(("processor", _processor()))
    for name, value in rows:
        click.echo(f"{name:<12} {value}")


def _processor() -> str:
    """Model name and the widest vector unit; last bits of results agree within one such class."""
    try:
        with open("/proc/cpuinfo", encoding="utf-8") as stream:
            lines = stream.read().splitlines()
    except OSError:
        return platform.processor() or "unknown"
    model = next((x.split(":", 1)[1].strip() for x in lines if x.startswith("model name")), "")
    flags = next((x.split() for x in lines if x.startswith("flags")), [])
    vector = next((x for x in ("avx512f", "avx2", "sse2") if x in flags), "")
    return f"{model} {vector}".strip() or "unknown"
