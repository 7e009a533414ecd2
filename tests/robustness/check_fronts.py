"""Reopen the fronts of a finished run and check what every user relies on: run by .ci/run."""

from __future__ import annotations

import sys

import numpy as np

from arrayopt import open_results, read_study
from arrayopt.base.glossary import quantity
from arrayopt.search.front import nondominated


def main(directory: str) -> None:
    """Raise AssertionError where the stored fronts are not what they claim to be."""
    tree = open_results(directory)
    study = read_study("studies/duct-flow-meter")
    assert tree.attrs["digest"] == study.digest
    assert set(tree.children) == {strategy.name for strategy in study.strategies}
    for name, node in tree.children.items():
        front = node.to_dataset()
        count = front.sizes["design"]
        assert count > 0, f"{name}: empty front"
        assert np.all(front["status"] == 0), f"{name}: a member has no merits"
        objectives = [str(o) for o in front.attrs["objectives"]]
        signs = [1.0 if s == "min" else -1.0 for s in front.attrs["senses"]]
        F = np.stack([s * front[o].values for o, s in zip(objectives, signs, strict=True)], axis=1)
        assert np.all(np.isfinite(F)), f"{name}: not finite"
        assert np.all(nondominated(F)), f"{name}: dominated members"
        for margin in (v for v in front.data_vars if str(v).startswith("margin_")):
            assert np.all(front[margin] >= -1e-12 * np.abs(front[margin]).max()), (
                f"{name}: {margin}"
            )
        assert np.all(front["clearance_margin"] >= 0)
        assert np.all(front["die_margin"] >= 0)
        for variable, array in front.variables.items():
            if str(variable) in ("vector", "limit_value", "violation", "feasible", "evaluation"):
                continue
            if str(variable) in ("generation", "front"):
                continue
            assert array.attrs["units"] == quantity(str(variable)).units, variable
        print(f"{name}: {count} members, hypervolume {front.attrs['hypervolume']:.4f}: sound")


if __name__ == "__main__":
    main(sys.argv[1])
