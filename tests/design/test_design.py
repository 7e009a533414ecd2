"""Layouts against plain geometry, designs against their search vectors and files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arrayopt.base.errors import StudyError
from arrayopt.design.designs import (
    GROUP_ARRAYS,
    Designs,
    DesignSpace,
    clearance_margin,
    die_margin,
    occupied,
)
from arrayopt.design.file import read_design, write_design
from arrayopt.study.lattice import (
    GroupingError,
    array_layout,
    explicit_sites,
    group_cells,
    lattice_sites,
)
from arrayopt.study.read import Study, read_study

TEXT = """\
format = 1
[[stack]]
material = "Si"
thickness = "5 um"
[[stack]]
material = "AlN"
thickness = "1 um"
active = true
[cell]
quality_factor = 80
[array]
lattice = "hexagonal"
rows = 3
columns = 4
die = ["6 mm", "5 mm"]
classes = { scheme = "interleaved", count = 3 }
[drive]
amplitude_limit = "20 V"
bias_limit = "10 V"
[vary]
radius = ["300 um", "500 um"]
[target]
centre_frequency = ["90 kHz", "110 kHz"]
[strategy.all]
channels = { scheme = "rows" }
[strategy.all.vary]
electrode_coverage = [0.3, 0.9]
electrode = ["disc", "ring"]
amplitude = ["0 V", "20 V"]
phase = ["-180 deg", "180 deg"]
bias = ["-5 V", "10 V"]
pitch = ["1.05 mm", "1.4 mm"]
[strategy.few]
fixed = { amplitude = "7 V", pitch = "1.1 mm" }
"""


def pair_distances(position: Any) -> Any:
    """Distances between all cells, (cell, cell); infinite between a cell and itself."""
    step = position[:, None, :] - position[None, :, :]
    distance = np.hypot(step[..., 0], step[..., 1])
    np.fill_diagonal(distance, np.inf)
    return distance


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    path = tmp_path_factory.mktemp("study") / "study.toml"
    path.write_text(TEXT, encoding="utf-8")
    return read_study(path)


def random_designs(study: Study, name: str, count: int, seed: int = 1) -> Designs:
    space = DesignSpace(study, study.strategy(name))
    return space.decode(np.random.default_rng(seed).random((count, space.n_variables)))


def test_square_lattice() -> None:
    sites = lattice_sites("square", rows=2, columns=3)
    assert sites.position.tolist() == [[0, 0], [1, 0], [2, 0], [0, 1], [1, 1], [2, 1]]


@pytest.mark.parametrize(("lattice", "neighbours"), [("square", 4), ("hexagonal", 6)])
def test_neighbours_are_one_pitch_apart(lattice: str, neighbours: int) -> None:
    distance = pair_distances(lattice_sites(lattice, rows=5, columns=5).position)
    np.testing.assert_allclose(distance.min(), 1.0, rtol=1e-12)
    at_one = np.abs(distance[12] - 1.0) < 1e-12  # of order one, rounding only
    assert at_one.sum() == neighbours


def test_layouts_are_centred(study: Study) -> None:
    position = study.strategies[0].layout.unit_position
    np.testing.assert_array_equal(position.min(axis=0), -position.max(axis=0))


@pytest.mark.parametrize("rows", [1, 2, 3, 5, 8])
@pytest.mark.parametrize("columns", [4, 5, 8])
@pytest.mark.parametrize(
    ("lattice", "count"),
    [
        *(("square", count) for count in (2, 3, 4, 5, 8)),
        *(("hexagonal", count) for count in (3, 4, 7)),
    ],
)
def test_interleaved_neighbours_differ(lattice: str, count: int, rows: int, columns: int) -> None:
    if count > rows * columns:
        pytest.skip("more classes than cells")
    sites = lattice_sites(lattice, rows=rows, columns=columns)
    classes = group_cells(sites, scheme="interleaved", count=count)
    near = pair_distances(sites.position) < 1.0 + 1e-9
    alike = classes[:, None] == classes[None, :]
    assert not (near & alike).any()
    np.testing.assert_array_equal(classes, group_cells(sites, scheme="interleaved", count=count))


@pytest.mark.parametrize("count", [2, 4, 8])
def test_interleaved_classes_are_balanced(count: int) -> None:
    classes = group_cells(
        lattice_sites("square", rows=8, columns=8), scheme="interleaved", count=count
    )
    assert np.bincount(classes).tolist() == [64 // count] * count


def test_interleaved_on_explicit_positions() -> None:
    line = explicit_sites(np.array([[x, 0.0] for x in (0.0, 1e-3, 2e-3, 3e-3, 4e-3)]))
    assert group_cells(line, scheme="interleaved", count=2).tolist() == [0, 1, 0, 1, 0]


def test_grouping_schemes() -> None:
    sites = lattice_sites("square", rows=4, columns=4)
    assert group_cells(sites, scheme="one").tolist() == [0] * 16
    assert group_cells(sites, scheme="each").tolist() == list(range(16))
    # distances of a 4 x 4 square from its middle: sqrt(1/2), sqrt(5/2), sqrt(9/2)
    assert group_cells(sites, scheme="rings").reshape(4, 4).tolist() == [
        [2, 1, 1, 2],
        [1, 0, 0, 1],
        [1, 0, 0, 1],
        [2, 1, 1, 2],
    ]
    assert group_cells(sites, scheme="rows", count=2).tolist() == [0] * 8 + [1] * 8
    assert group_cells(sites, scheme="columns")[:4].tolist() == [0, 1, 2, 3]
    table = [0, 1] * 8
    assert group_cells(sites, scheme="table", table=table).tolist() == table


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"scheme": "one", "count": 2}, "takes no count"),
        ({"scheme": "table"}, "belong together"),
        ({"scheme": "table", "table": [0, 2] * 8}, "up to 2 but not 1"),
        ({"scheme": "rows", "count": 5}, "there are 4 rows"),
        ({"scheme": "rings", "count": 4}, "at 3 distances"),
        ({"scheme": "interleaved", "count": 17}, "there are 16 cells"),
    ],
)
def test_impossible_groupings(arguments: dict[str, object], message: str) -> None:
    sites = lattice_sites("square", rows=4, columns=4)
    with pytest.raises(GroupingError, match=message):
        group_cells(sites, **arguments)  # type: ignore[arg-type]


def test_groups_are_class_and_channel(study: Study) -> None:
    layout = study.strategy("all").layout
    assert (layout.n_cells, layout.n_classes, layout.n_channels) == (12, 3, 3)
    assert layout.group_count.sum() == layout.n_cells
    for cell, group in enumerate(layout.group_of_cell):
        assert layout.group_class[group] == layout.class_of_cell[cell]
        assert layout.group_channel[group] == layout.channel_of_cell[cell]


def test_ends_of_the_variables_are_the_bounds(study: Study) -> None:
    space = DesignSpace(study, study.strategy("all"))
    assert space.n_variables == 3 * 3 + 2 * 3 + 2
    assert space.names[0] == "radius[0]"
    assert space.names[-2:] == ("bias", "pitch")
    ends = space.decode([[0.0] * space.n_variables, [1.0] * space.n_variables])
    assert set(ends.radius[0]) == {300e-6}
    assert set(ends.radius[1]) == {500e-6}
    assert not ends.ring[0].any()
    assert ends.ring[1].all()
    np.testing.assert_array_equal(ends.bias, np.outer([-5.0, 10.0], np.ones(9)))
    np.testing.assert_array_equal(ends.pitch, [1.05e-3, 1.4e-3])


def test_fixed_values_fill_the_rest(study: Study) -> None:
    designs = random_designs(study, "few", 2)
    assert set(designs.drive_amplitude.flat) == {7.0}
    assert set(designs.electrode_coverage.flat) == {0.67}
    assert set(designs.pitch) == {1.1e-3}
    assert not designs.ring.any()


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), name=st.sampled_from(["all", "few"]))
def test_encode_undoes_decode(study: Study, seed: int, name: str) -> None:
    space = DesignSpace(study, study.strategy(name))
    X = np.random.default_rng(seed).random((3, space.n_variables))
    back = space.encode(space.decode(X))
    number = np.array([not n.startswith("electrode[") for n in space.names])
    # variables are of order one: 1e-12 of the bounds' distance
    np.testing.assert_allclose(back[:, number], X[:, number], rtol=0, atol=1e-12)
    again, designs = space.decode(back), space.decode(X)
    np.testing.assert_array_equal(again.ring, designs.ring)
    np.testing.assert_allclose(again.radius, designs.radius, rtol=1e-12)


def test_values_outside_the_bounds_move_to_them(study: Study) -> None:
    few = study.strategy("few")
    space = DesignSpace(study, few)
    designs = space.decode(np.full((1, space.n_variables), 0.5))
    wide = Designs(**{**vars(designs), "radius": designs.radius * 10.0})
    assert space.encode(wide).tolist() == [[1.0] * 3]


def test_vectors_are_checked(study: Study) -> None:
    space = DesignSpace(study, study.strategy("few"))
    with pytest.raises(ValueError, match=r"\(design, 3\) needed"):
        space.decode(np.zeros((2, 4)))
    for bad in (1.5, np.nan):
        with pytest.raises(ValueError, match="between 0 and 1"):
            space.decode([[0.0, bad, 1.0]])
    with pytest.raises(ValueError, match="groups"):
        space.encode(random_designs(study, "all", 1))


def test_take_and_cells(study: Study) -> None:
    designs = random_designs(study, "all", 5)
    some = designs.take([3, 0])
    assert len(some) == 2
    for name in (*GROUP_ARRAYS, "pitch"):
        np.testing.assert_array_equal(getattr(some, name), getattr(designs, name)[[3, 0]])
    assert len(designs.take(2)) == 1
    radius = designs.at_cells("radius")
    assert radius.shape == (5, 12)
    for cell, group in enumerate(designs.layout.group_of_cell):
        np.testing.assert_array_equal(radius[:, cell], designs.radius[:, group])
    with pytest.raises(KeyError, match="not held by group"):
        designs.at_cells("pitch")


def test_margins_are_those_of_circles(study: Study) -> None:
    designs = random_designs(study, "all", 4)
    position, radius = designs.positions(), designs.at_cells("radius")
    for d in range(4):
        gap = min(
            float(np.hypot(*(position[d, i] - position[d, j])) - radius[d, i] - radius[d, j])
            for i in range(12)
            for j in range(i)
        )
        np.testing.assert_allclose(
            clearance_margin(designs, study)[d], gap - study.chip.clearance, rtol=1e-9
        )  # a difference of lengths a few times longer than itself
        reach = (np.abs(position[d]) + radius[d][:, None]).max(axis=0) + study.chip.edge_margin
        np.testing.assert_allclose(occupied(designs, study)[d], 2.0 * reach, rtol=1e-12)
        room = (np.array(study.chip.die) / 2.0 - reach).min()
        np.testing.assert_allclose(die_margin(designs, study)[d], room, rtol=1e-9)


def test_a_single_cell_has_a_finite_margin(study: Study) -> None:
    none = np.zeros(1, dtype=np.int64)
    layout = array_layout(
        np.zeros((1, 2)), class_of_cell=none, channel_of_cell=none, explicit=False
    )
    one = np.full((1, 1), 1e-4)
    designs = Designs(layout, one, one, one > 0, one, one, one, np.array([1e-3]))
    assert clearance_margin(designs, study).tolist() == [6e-3 - study.chip.clearance]


@pytest.mark.parametrize("name", ["all", "few"])
def test_design_files_read_back(study: Study, tmp_path: Path, name: str) -> None:
    designs = random_designs(study, name, 3)
    path = tmp_path / "design.toml"
    write_design(path, designs, strategy=study.strategy(name), index=2, description='a "b"')
    strategy, back = read_design(path, study)
    assert strategy is study.strategy(name)
    for quantity in (*GROUP_ARRAYS, "pitch"):
        np.testing.assert_allclose(
            getattr(back, quantity)[0], getattr(designs, quantity)[2], rtol=1e-12
        )


def test_cells_of_their_own_are_grouped_anew(study: Study, tmp_path: Path) -> None:
    path = tmp_path / "design.toml"
    radii = ", ".join(['"300 um"', '"310 um"', '"320 um"', '"330 um"'] * 3)
    path.write_text(f'format = 1\nstrategy = "few"\n[cells]\nradius = [{radii}]\n', "utf-8")
    strategy, designs = read_design(path, study)
    assert designs.layout.n_groups == 4
    assert strategy.layout is designs.layout
    np.testing.assert_array_equal(
        designs.at_cells("radius")[0], np.tile([300e-6, 310e-6, 320e-6, 330e-6], 3)
    )
    second = tmp_path / "again.toml"
    write_design(second, designs, strategy=study.strategy("few"))
    np.testing.assert_allclose(
        read_design(second, study)[1].at_cells("radius"), designs.at_cells("radius"), rtol=1e-12
    )


def test_mistakes_in_a_design_are_told_at_once(study: Study, tmp_path: Path) -> None:
    path = tmp_path / "design.toml"
    path.write_text(
        'format = 1\nstrategy = "all"\n[classes]\nradius = ["300 um", "310 um"]\n'
        'electrode_coverage = 0.5\nelectrode = "ring"\n[channels]\nphase = "0 deg"\n',
        "utf-8",
    )
    with pytest.raises(StudyError) as caught:
        read_design(path, study)
    text = str(caught.value)
    assert ":4: classes.radius is" in text
    assert "one for each of the 3 radius classes, is needed; there are 2" in text
    for key in ("channels.amplitude", "bias", "pitch"):
        assert f"{key} is missing; strategy all varies it" in text
    path.write_text('format = 1\nstrategy = "al"\n', "utf-8")
    with pytest.raises(StudyError, match=r'the study has all, few; did you mean "all"\?'):
        read_design(path, study)
