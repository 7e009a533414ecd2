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

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Annotated

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


_HANDBOOK = Source("handbook value (CRC Handbook; Kaye & Laby)", "memory")
_CARO = Source("Caro et al. (2015) polynomials for ScxAl1-xN, in-plane E and nu computed", "memory")
_PAN = Source("Pan et al., Micromachines 14:374 (2023), table", "read")


def _known(name: str, *, contains_lead: bool = False, **found: tuple[float, Source]) -> Material:
    values: dict[str, float] = {key: value for key, (value, _) in found.items()}
    return Material(
        name=name,
        contains_lead=contains_lead,
        sources=MappingProxyType({key: source for key, (_, source) in found.items()}),
        **values,
    )


def _metal(name: str, modulus: float, poisson: float, density: float) -> Material:
    return _known(
        name,
        youngs_modulus=(modulus, _HANDBOOK),
        poisson_ratio=(poisson, _HANDBOOK),
        density=(density, _HANDBOOK),
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
    _known(
        "AlN",
        youngs_modulus=(283.1e9, _TSUBOUCHI),
        poisson_ratio=(0.287, _TSUBOUCHI),
        density=(3260.0, Source("range 3230 to 3300 kg/m3", "memory")),
        e31f=(-1.02, Source("Dubois & Muralt, Sens. Actuators A 77:106 (1999), abstract", "read")),
        relative_permittivity=(10.0, Source("review table", "read")),
        breakdown_field=(3e8, Source("lower end of 3 to 6 MV/cm", "memory")),
    ),
    _known(
        "ScAlN-20",
        youngs_modulus=(271e9, _CARO),
        poisson_ratio=(0.293, _CARO),
        density=(3400.0, Source("middle of 3300 to 3600 kg/m3", "memory")),
        e31f=(-1.6, _PAN),
        relative_permittivity=(12.0, _PAN),
        breakdown_field=(
            2e8,
            Source("below AlN's 3 MV/cm; two thirds of it taken to be cautious", "assumed"),
        ),
    ),
    _known(
        "ScAlN-30",
        youngs_modulus=(237e9, _CARO),
        poisson_ratio=(0.278, _CARO),
        density=(3450.0, Source("middle of 3300 to 3600 kg/m3", "memory")),
        e31f=(-2.4, Source("middle of -2.2 to -2.6 C/m2 (Mertin 2018)", "memory")),
        relative_permittivity=(17.0, Source("middle of 16 to 18", "memory")),
        breakdown_field=(
            2e8,
            Source("below AlN's 3 MV/cm; two thirds of it taken to be cautious", "assumed"),
        ),
    ),
    _known(
        "PZT",
        youngs_modulus=(80e9, Source("middle of 60 to 100 GPa", "memory")),
        poisson_ratio=(0.3, Source("usual value for the ceramic", "memory")),
        density=(7650.0, Source("middle of 7500 to 7800 kg/m3", "memory")),
        e31f=(
            -13.1,
            Source(
                "2 um film, Pan et al., Micromachines 14:374 (2023), table; "
                "45/55 films reach -8.3 (Dubois & Muralt 1999)",
                "read",
            ),
        ),
        relative_permittivity=(854.0, _PAN),
        breakdown_field=(
            3e7,
            Source(
                "poor seed layer, Ko et al., J. Am. Ceram. Soc. (2018), abstract; "
                "good seed layers reach 1 MV/cm",
                "read",
            ),
        ),
        contains_lead=True,
    ),
    _known(
        "Si",
        youngs_modulus=(151.3e9, _AVERAGE),
        poisson_ratio=(0.16, _AVERAGE),
        density=(2330.0, Source("Hopcroft et al., J. MEMS 19:229 (2010)", "read")),
        relative_permittivity=(11.7, Source("handbook value", "memory")),
    ),
    _known(
        "SiO2",
        youngs_modulus=(70e9, Source("J. Sensors 2019:3896965, table", "read")),
        poisson_ratio=(0.17, Source("J. Sensors 2019:3896965, table", "read")),
        density=(2200.0, Source("J. Sensors 2019:3896965, table", "read")),
        relative_permittivity=(3.9, Source("thermal oxide; the same table has 4.2", "memory")),
    ),
    _metal("Mo", 329e9, 0.31, 10220.0),
    _metal("Pt", 168e9, 0.38, 21450.0),
    _metal("Ti", 116e9, 0.32, 4506.0),
    _metal("Al", 70e9, 0.35, 2700.0),
    _metal("Au", 78e9, 0.44, 19300.0),
    _metal("Cr", 279e9, 0.21, 7190.0),
)

MATERIALS: Mapping[str, Material] = MappingProxyType({m.name: m for m in _TABLE})
