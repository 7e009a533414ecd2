"""Layer materials: of a study's own, and those that are built in (data/materials.toml)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from types import MappingProxyType
from typing import Annotated

from arrayopt.base.forms import Modulus
from arrayopt.base.problems import Reporter
from arrayopt.base.units import Need


@dataclass(frozen=True, kw_only=True)
class Properties:
    """``[materials.NAME]``: properties of one layer material, SI.

    Parameters
    ----------
    youngs_modulus, poisson_ratio : in-plane [Pa], [1].
    density : [kg/m3].
    e31f : transverse film coefficient [C/m2], or None for a passive material. Negative for the
        usual polarity: a positive bias on the top electrode puts the film under compression.
    relative_permittivity : [1], or None where it is not needed.
    breakdown_field : cautious end of the published range [V/m], or None where not known.
    contains_lead : True for lead-bearing ceramics (RoHS exemptions apply).
    """

    youngs_modulus: Modulus
    poisson_ratio: Annotated[float, Need("ratio", above=-1.0, below=0.5)]
    density: Annotated[float, Need("density", above=0.0)]
    e31f: Annotated[float, Need("charge")] | None = None
    relative_permittivity: Annotated[float, Need("ratio", at_least=1.0)] | None = None
    breakdown_field: Annotated[float, Need("field", above=0.0)] | None = None
    contains_lead: bool = False


@dataclass(frozen=True, kw_only=True)
class Material(Properties):
    """One layer material: ``name`` as in study files."""

    name: str


@dataclass(frozen=True)
class _Table:
    """``data/materials.toml``."""

    materials: dict[str, Properties]


def _built_in() -> Mapping[str, Material]:
    text = files("arrayopt.study").joinpath("data/materials.toml").read_text(encoding="utf-8")
    found = Reporter(Path("materials.toml"), text).validate(_Table).materials
    return MappingProxyType({name: Material(name=name, **vars(p)) for name, p in found.items()})


MATERIALS = _built_in()
"""By name; each value's source stands beside it in the file."""
