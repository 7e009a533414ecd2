"""Scaling of a generation over a dask cluster, and up to how many workers that pays.

``python -m tests.benchmarks.bench_cluster``: times a generation of 200 designs of the shipped duct
study on clusters of 1 and 2 workers of this machine, and pieces of work that cost nothing, and fits

    T(w) = i n s / w + i g + r + p k w

for i islands of n designs, w workers, s seconds a design, g seconds a generation (search, saving),
r seconds of waiting for the scheduler, p seconds a piece of work on its way through it and k pieces
a worker.
Each time is the least of several. Prints the fit, and the number of workers at which T is least and
at which half of each worker's time is lost.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.runs.power.cluster import PIECES_PER_THREAD, ClusterWorkers
from arrayopt.runs.predict import SEARCH_SECONDS
from arrayopt.runs.study_run import NUMBER_PACKAGES
from arrayopt.search.evaluator import StudyEvaluator, build_evaluator
from arrayopt.search.problem import Evaluation
from arrayopt.study.read import read_study
from tests.support.paths import ROOT

DESIGNS = 200
REPEATS = 7
ISLANDS = (1, 4, 16)


def nothing(text: str) -> Callable[..., Evaluation]:
    """An evaluator that costs no time."""
    return lambda strategy, X, front: Evaluation(np.zeros((len(X), 3)), np.zeros((len(X), 1)))


def least(pool: ClusterWorkers, X: Floats, repeats: int) -> float:
    best = np.inf
    for _ in range(repeats):
        start = time.perf_counter()
        pool.evaluate("combined", X, n_objectives=3)
        best = min(best, time.perf_counter() - start)
    return best


def main() -> None:
    import distributed

    root = ROOT
    study = read_study(root / "studies" / "duct-flow-meter")
    strategy = study.strategy("combined")
    evaluator = StudyEvaluator(study, strategy)
    rng = np.random.default_rng(1)
    X = evaluator.repair(rng.random((DESIGNS, evaluator.n_variables)))
    times, few, many = {}, {}, {}
    for workers in (1, 2):
        with distributed.LocalCluster(
            n_workers=workers, threads_per_worker=1, dashboard_address=None
        ) as cluster:
            options = {"address": cluster.scheduler_address, "versions": NUMBER_PACKAGES}
            with ClusterWorkers(build_evaluator, study.text, **options) as pool:
                for _ in range(3):  # every worker loads its kernels
                    pool.evaluate("combined", X, n_objectives=3)
                times[workers] = least(pool, X, REPEATS)
            with ClusterWorkers(nothing, "", **options) as pool:
                few[workers] = least(pool, X, 10 * REPEATS)
            with ClusterWorkers(nothing, "", chunk=1, **options) as pool:
                many[workers] = least(pool, X, REPEATS)
    pieces = {w: w * PIECES_PER_THREAD for w in times}
    piece = (many[1] - few[1]) / (DESIGNS - pieces[1])
    waiting = max(few[1] - piece * pieces[1], 0.0)
    cost = times[1] - waiting - piece * pieces[1]
    if cost <= 0.0 or piece <= 0.0:
        raise SystemExit("this machine is too busy: pieces took longer than the work")
    generation = SEARCH_SECONDS
    print(f"1 worker {times[1]:.3f} s, 2 workers {times[2]:.3f} s: {times[1] / times[2]:.2f} times")
    for w in (1, 2):
        print(f"nothing to compute, {w} workers: {pieces[w]} pieces {few[w] * 1e3:.0f} ms, "
              f"{DESIGNS} pieces {many[w] * 1e3:.0f} ms")  # fmt: skip
    print(f"a design {cost / DESIGNS * 1e3:.2f} ms, waiting {waiting * 1e3:.0f} ms, "
          f"a piece {piece * 1e3:.2f} ms, a generation {generation * 1e3:.0f} ms")  # fmt: skip
    predicted = cost / 2 + waiting + piece * pieces[2]
    print(f"the model gives {predicted:.3f} s for 2 workers; measured {times[2]:.3f} s")
    for seconds in (cost / DESIGNS, 0.05, 1.0):
        for islands in ISLANDS:
            designs = islands * DESIGNS
            w = np.arange(1, designs + 1)
            alone = designs * seconds + islands * generation
            total = designs * seconds / w + islands * generation
            total += waiting + piece * PIECES_PER_THREAD * w
            half = int(w[alone / (w * total) >= 0.5].max(initial=1))
            print(
                f"at {seconds * 1e3:.2f} ms a design, {islands} islands: least time with "
                f"{int(w[total.argmin()])} workers, half of each worker's time used with {half}"
            )


if __name__ == "__main__":
    main()
