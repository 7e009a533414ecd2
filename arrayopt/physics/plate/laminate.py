"""Layer stack to laminate stiffnesses and resultants (docs/models/M1-laminate.md)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Layer:
    """One layer of the diaphragm, isotropic in its plane.

    Parameters
    ----------
    name : str
        For messages and for the stress of each layer.
    thickness : float
        [m].
    youngs_modulus, poisson_ratio : float
        In-plane E [Pa] and nu [1].
    density : float
        [kg/m3].
    residual_stress : float
        Equal biaxial stress as deposited, tension positive [Pa].
    patterned : bool
        True when the layer exists under the electrode only (normally the top electrode).
    active : bool
        True for the piezoelectric film; exactly one layer of a stack.
    e31f : float
        Effective transverse piezoelectric coefficient of the active film [C/m2].
    relative_permittivity : float
        Of the clamped film, at right angles to the plane [1].
    """

    name: str
    thickness: float
    youngs_modulus: float
    poisson_ratio: float
    density: float
    residual_stress: float = 0.0
    patterned: bool = False
    active: bool = False
    e31f: float = 0.0
    relative_permittivity: float = 1.0

    @property
    def Q11(self) -> float:
        """Plane-stress stiffness E/(1 - nu^2), equation M1.1 [Pa]."""
        return self.youngs_modulus / (1.0 - self.poisson_ratio**2)

    @property
    def Q12(self) -> float:
        """Plane-stress coupling nu E/(1 - nu^2), equation M1.1 [Pa]."""
        return self.poisson_ratio * self.Q11


@dataclass(frozen=True)
class Section:
    """Laminate constants of one cross-section about one reference plane, equations M1.2 to M1.5.

    ``A11, A12`` [N/m], ``B11, B12`` [N], ``D11, D12`` [N m]; ``areal_mass`` [kg/m2]; residual
    resultants ``N0`` [N/m] and ``M0`` [N]; film resultants per volt ``N_per_volt`` [N/(m V)] and
    ``M_per_volt`` [N/V] (zero without electrode); ``thickness`` [m]; ``layers`` present, with the
    heights ``z_bottom`` and ``z_top`` [m] of each above the reference plane.
    """

    A11: float
    A12: float
    B11: float
    B12: float
    D11: float
    D12: float
    areal_mass: float
    N0: float
    M0: float
    N_per_volt: float
    M_per_volt: float
    thickness: float
    layers: tuple[Layer, ...]
    z_bottom: tuple[float, ...]
    z_top: tuple[float, ...]


def neutral_plane(layers: Sequence[Layer]) -> float:
    """Height above the stack's bottom face where B11 of these layers vanishes, equation M1.3.

    Parameters
    ----------
    layers : sequence of Layer
        Bottom to top.

    Returns
    -------
    float
        Height [m].
    """
    bottom = moment = stiffness = 0.0
    for layer in layers:
        stiffness += layer.Q11 * layer.thickness
        moment += layer.Q11 * layer.thickness * (bottom + 0.5 * layer.thickness)
        bottom += layer.thickness
    return moment / stiffness


def _section(layers: Sequence[Layer], reference_plane: float, *, electrode: bool) -> Section:
    resultants = dict.fromkeys(
        ("A11", "A12", "B11", "B12", "D11", "D12", "areal_mass", "N0", "M0"), 0.0
    )
    n_per_volt = m_per_volt = 0.0
    z_bottom: list[float] = []
    z_top: list[float] = []
    z0 = -reference_plane
    for layer in layers:
        z1 = z0 + layer.thickness
        # thickness times mean height: no cancellation in the difference of squares
        first = layer.thickness * 0.5 * (z0 + z1)
        second = layer.thickness * (z0 * z0 + z0 * z1 + z1 * z1) / 3.0
        for letter, integral in (("A", layer.thickness), ("B", first), ("D", second)):
            resultants[letter + "11"] += layer.Q11 * integral
            resultants[letter + "12"] += layer.Q12 * integral
        resultants["areal_mass"] += layer.density * layer.thickness
        resultants["N0"] += layer.residual_stress * layer.thickness
        resultants["M0"] += layer.residual_stress * first
        if electrode and layer.active:
            n_per_volt = layer.e31f
            m_per_volt = layer.e31f * 0.5 * (z0 + z1)
        z_bottom.append(z0)
        z_top.append(z1)
        z0 = z1
    return Section(
        **resultants,
        N_per_volt=n_per_volt,
        M_per_volt=m_per_volt,
        thickness=z0 + reference_plane,
        layers=tuple(layers),
        z_bottom=tuple(z_bottom),
        z_top=tuple(z_top),
    )


def sections(
    layers: Sequence[Layer], *, reference_plane: float | None = None
) -> tuple[Section, Section]:
    """Constants of the section under the electrode and of the section beside it.

    Parameters
    ----------
    layers : sequence of Layer
        Bottom to top; the layers above a patterned one rest lower where it is absent.
    reference_plane : float, optional
        Height of the common reference plane above the bottom face [m]; default: the neutral
        plane of the bare section. No displacement of the plate depends on the choice.

    Returns
    -------
    covered, bare : Section
        About the same plane. A positive bias on the top electrode gives the film resultant
        ``N_per_volt * bias = e31f * bias``: compression for e31f < 0 (equation M1.5).

    Raises
    ------
    ValueError
        For no or several active layers, a patterned active layer that leaves nothing, or
        constants outside their physical range.

    Notes
    -----
    Classical lamination theory: thin plates only, radius over thickness above about 20.
    Reference: Jones, *Mechanics of Composite Materials*, 2nd ed. 1999, equations 4.22 to 4.24.
    """
    active = [layer.name for layer in layers if layer.active]
    if len(active) != 1:
        raise ValueError(f"the stack needs exactly one active layer, found {active or 'none'}")
    for layer in layers:
        _check(layer)
    bare = [layer for layer in layers if not layer.patterned]
    if not bare:
        raise ValueError("every layer is patterned: nothing is left beside the electrode")
    plane = neutral_plane(bare) if reference_plane is None else reference_plane
    return _section(layers, plane, electrode=True), _section(bare, plane, electrode=False)


def _check(layer: Layer) -> None:
    for quantity in ("thickness", "youngs_modulus", "density", "relative_permittivity"):
        value = getattr(layer, quantity)
        if not (math.isfinite(value) and value > 0.0):
            raise ValueError(f"layer {layer.name}: {quantity} is {value}; it must be above zero")
    if not -1.0 < layer.poisson_ratio < 0.5:
        raise ValueError(
            f"layer {layer.name}: poisson_ratio is {layer.poisson_ratio}; "
            "it must lie between -1 and 0.5"
        )
    for quantity in ("residual_stress", "e31f"):
        if not math.isfinite(getattr(layer, quantity)):
            raise ValueError(f"layer {layer.name}: {quantity} is not finite")
