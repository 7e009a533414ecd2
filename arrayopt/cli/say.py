"""Everything commands print: control characters in texts of users reach no terminal."""

from __future__ import annotations

import click

from arrayopt.base.text import visible


def say(text: object = "", *, err: bool = False) -> None:
    """Print text and a line end; each control character as its code."""
    click.echo(visible(text), err=err)
