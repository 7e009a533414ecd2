"""Bounds between a number and a status, and corner cases: what a mutation run found unwatched."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from arrayopt.physics.intime.slow_flow import ChipStatus, chip_sweep
from arrayopt.physics.numerics.threads import each, spread, thread_count
from arrayopt.physics.plate.diaphragm import film_stress
from arrayopt.physics.plate.laminate import Layer, sections
from arrayopt.physics.plate.table import plate_table
from tests.physics.test_intime import chips


def test_a_ring_over_the_whole_radius_is_a_disc_over_the_whole_radius() -> None:
    """At the centre too, where the film stress of a ring is otherwise that of the bare stack."""
    layers = [
        Layer("plate", 5e-6, youngs_modulus=160e9, poisson_ratio=0.22, density=2330.0),
        Layer(
            "film",
            1e-6,
            youngs_modulus=283e9,
            poisson_ratio=0.287,
            density=3260.0,
            patterned=False,
            active=True,
            e31f=-1.02,
            relative_permittivity=10.0,
        ),
        Layer("top", 2e-7, youngs_modulus=329e9, poisson_ratio=0.31, density=1e4, patterned=True),
    ]
    covered, bare = sections(layers)
    disc, ring = (plate_table(covered, bare, ring=kind) for kind in (False, True))
    shape = np.array([1e-6, 0.0, 0.0, 0.0, 0.0])
    both = [
        film_stress(disc, ring, radius=300e-6, coverage=1.0, ring=kind, voltage=7.0, shape=shape)
        for kind in (False, True)
    ]
    assert_allclose(both[1].centre, both[0].centre, rtol=1e-9)
    assert_allclose(both[1].edge, both[0].edge, rtol=1e-9)
    # the film's own stress of 7 V is in both: e31f V / t = -7.1 MPa
    quiet = film_stress(disc, ring, radius=300e-6, coverage=1.0, ring=True, shape=shape)
    field = both[1].centre[..., 1] - quiet.centre[..., 1]
    assert field < 0.0


@pytest.mark.parametrize("threads", ["1", "2", "3"])
@pytest.mark.parametrize("count", [0, 1, 2, 5, 7, 100])
def test_threads_share_out_every_row_once(
    threads: str, count: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_NUM_THREADS", threads)
    blocks: list[tuple[int, int]] = []

    def kernel(start: int, stop: int, rows: np.ndarray) -> None:
        blocks.append((start, stop))
        rows[start:stop] += 1.0

    rows = np.zeros(count)
    spread(kernel, count, rows)
    assert_allclose(rows, 1.0, rtol=0.0)
    # four blocks a thread, none of them empty, and one call where one thread is enough
    used = min(int(threads), count)
    assert len(blocks) == (1 if used <= 1 else min(count, 4 * used))
    assert all(stop > start for start, stop in blocks) or count == 0


def test_threads_inside_threads_do_the_work_themselves(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUMBA_NUM_THREADS", "2")

    def rows(length: int) -> int:
        seen: list[int] = []
        spread(lambda start, stop: seen.extend(range(start, stop)), length)
        return sum(seen)

    assert each(rows, [3, 5, 7, 9]) == [3, 10, 21, 36]  # a wait for its own threads would hang


def test_threads_are_counted_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(6)))
    for wanted, found in (("1", 1), ("3", 3), ("0", 6), ("", 6), ("all", 6)):
        monkeypatch.setenv("NUMBA_NUM_THREADS", wanted)
        assert thread_count() == found


@pytest.mark.parametrize(("gap", "overlaps"), [(0.0, False), (-1e-6, True), (1e-6, False)])
def test_cells_that_touch_do_not_overlap(gap: float, overlaps: bool) -> None:
    position = np.array([[0.0, 0.0], [2.0 * (1.0 + gap), 0.0]])
    arrays, _ = chips(position, np.zeros((1, 1, 2)), drive=0.1, scale=0.45e-3)
    found = chip_sweep(arrays, start=0.99e5, stop=1.0e5, slowness=2.0)
    assert bool(found.status[0, 0] & int(ChipStatus.OVERLAP)) == overlaps
