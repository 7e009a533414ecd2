"""Layer materials: every value with its source and status.

What this set does not claim: film properties depend on deposition, texture, thickness and
annealing. Thin-film moduli, densities and piezoelectric coefficients scatter by 5 to 30 % between
fabs, breakdown fields by a factor of three. Residual stress is a property of a process and not of
a material, so it is given with the layer in the study and never here. All materials are isotropic
in the plane. Losses (dielectric, mechanical), temperature and frequency dependence, ageing and
depolarisation are not covered. Replace values by those of your fab with ``[materials.NAME]``.

Status: ``read`` = the page or abstract was read; ``computed`` = calculated from stated constants;
``memory`` = handbook value from memory; ``assumed`` = a choice of ours, with its reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Annotated

from arrayopt.base.errors import ArrayoptError, nearest_name
from arrayopt.base.forms import Modulus
from arrayopt.base.units import Need


@dataclass(frozen=True)
class Source:
    """Where a material value comes from, and how well that is known."""

    text: str
    status: str


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
    """One layer material: ``name`` as in study files, property name -> Source in ``sources``."""

    name: str
    sources: Mapping[str, Source] = field(default_factory=lambda: MappingProxyType({}))


class UnknownMaterialError(ArrayoptError):
    """A material is neither built in nor defined in the study."""


_HANDBOOK = Source("handbook value (CRC Handbook; Kaye & Laby)", "memory")
_CARO = Source("Caro et al. (2015) polynomials for ScxAl1-xN, in-plane E and nu computed", "memory")
_PAN = Source("Pan et al., Micromachines 14:374 (2023), table", "read")


def _metal(name: str, modulus: float, poisson: float, density: float) -> Material:
    return Material(
        name=name,
        youngs_modulus=modulus,
        poisson_ratio=poisson,
        density=density,
        sources=MappingProxyType(
            dict.fromkeys(("youngs_modulus", "poisson_ratio", "density"), _HANDBOOK)
        ),
    )


_TSUBOUCHI = Source(
    "single-crystal constants recalled (Tsubouchi), in-plane E and nu computed", "computed"
)
_AVERAGE = Source(
    "orientation average for a (100) disc, E/(1-nu^2) = 155.3 GPa, from the cubic constants in "
    "Hopcroft et al., J. MEMS 19:229 (2010); exact for static pressure, first order for frequency",
    "computed",
)

_TABLE = (
    Material(
        name="AlN",
        youngs_modulus=283.1e9,
        poisson_ratio=0.287,
        density=3260.0,
        e31f=-1.02,
        relative_permittivity=10.0,
        breakdown_field=3e8,
        sources=MappingProxyType(
            {
                "youngs_modulus": _TSUBOUCHI,
                "poisson_ratio": _TSUBOUCHI,
                "density": Source("range 3230 to 3300 kg/m3", "memory"),
                "e31f": Source(
                    "Dubois & Muralt, Sens. Actuators A 77:106 (1999), abstract", "read"
                ),
                "relative_permittivity": Source("review table", "read"),
                "breakdown_field": Source("lower end of 3 to 6 MV/cm", "memory"),
            }
        ),
    ),
    Material(
        name="ScAlN-20",
        youngs_modulus=271e9,
        poisson_ratio=0.293,
        density=3400.0,
        e31f=-1.6,
        relative_permittivity=12.0,
        breakdown_field=2e8,
        sources=MappingProxyType(
            {
                "youngs_modulus": _CARO,
                "poisson_ratio": _CARO,
                "density": Source("middle of 3300 to 3600 kg/m3", "memory"),
                "e31f": _PAN,
                "relative_permittivity": _PAN,
                "breakdown_field": Source(
                    "below AlN's 3 MV/cm; two thirds of it taken to be cautious", "assumed"
                ),
            }
        ),
    ),
    Material(
        name="ScAlN-30",
        youngs_modulus=237e9,
        poisson_ratio=0.278,
        density=3450.0,
        e31f=-2.4,
        relative_permittivity=17.0,
        breakdown_field=2e8,
        sources=MappingProxyType(
            {
                "youngs_modulus": _CARO,
                "poisson_ratio": _CARO,
                "density": Source("middle of 3300 to 3600 kg/m3", "memory"),
                "e31f": Source("middle of -2.2 to -2.6 C/m2 (Mertin 2018)", "memory"),
                "relative_permittivity": Source("middle of 16 to 18", "memory"),
                "breakdown_field": Source(
                    "below AlN's 3 MV/cm; two thirds of it taken to be cautious", "assumed"
                ),
            }
        ),
    ),
    Material(
        name="PZT",
        youngs_modulus=80e9,
        poisson_ratio=0.3,
        density=7650.0,
        e31f=-13.1,
        relative_permittivity=854.0,
        breakdown_field=3e7,
        contains_lead=True,
        sources=MappingProxyType(
            {
                "youngs_modulus": Source("middle of 60 to 100 GPa", "memory"),
                "poisson_ratio": Source("usual value for the ceramic", "memory"),
                "density": Source("middle of 7500 to 7800 kg/m3", "memory"),
                "e31f": Source(
                    "2 um film, Pan et al., Micromachines 14:374 (2023), table; "
                    "45/55 films reach -8.3 (Dubois & Muralt 1999)",
                    "read",
                ),
                "relative_permittivity": _PAN,
                "breakdown_field": Source(
                    "poor seed layer, Ko et al., J. Am. Ceram. Soc. (2018), abstract; "
                    "good seed layers reach 1 MV/cm",
                    "read",
                ),
            }
        ),
    ),
    Material(
        name="Si",
        youngs_modulus=151.3e9,
        poisson_ratio=0.16,
        density=2330.0,
        relative_permittivity=11.7,
        sources=MappingProxyType(
            {
                "youngs_modulus": _AVERAGE,
                "poisson_ratio": _AVERAGE,
                "density": Source("Hopcroft et al., J. MEMS 19:229 (2010)", "read"),
                "relative_permittivity": Source("handbook value", "memory"),
            }
        ),
    ),
    Material(
        name="SiO2",
        youngs_modulus=70e9,
        poisson_ratio=0.17,
        density=2200.0,
        relative_permittivity=3.9,
        sources=MappingProxyType(
            {
                "youngs_modulus": Source("J. Sensors 2019:3896965, table", "read"),
                "poisson_ratio": Source("J. Sensors 2019:3896965, table", "read"),
                "density": Source("J. Sensors 2019:3896965, table", "read"),
                "relative_permittivity": Source("thermal oxide; the same table has 4.2", "memory"),
            }
        ),
    ),
    _metal("Mo", 329e9, 0.31, 10220.0),
    _metal("Pt", 168e9, 0.38, 21450.0),
    _metal("Ti", 116e9, 0.32, 4506.0),
    _metal("Al", 70e9, 0.35, 2700.0),
    _metal("Au", 78e9, 0.44, 19300.0),
    _metal("Cr", 279e9, 0.21, 7190.0),
)

MATERIALS: Mapping[str, Material] = MappingProxyType({m.name: m for m in _TABLE})


def material(name: str, inline: Iterable[Material] = ()) -> Material:
    """The material of that name, from the study's own definitions or the built-in table.

    Parameters
    ----------
    name : exact name.
    inline : materials defined in the study.

    Raises
    ------
    UnknownMaterialError : with the nearest known name.
    """
    known = dict(MATERIALS) | {m.name: m for m in inline}
    if name in known:
        return known[name]
    nearest = nearest_name(name, known)
    hint = f"did you mean {nearest}?" if nearest else f"known: {', '.join(known)}"
    raise UnknownMaterialError(f"material {name!r} is not known; {hint}")
