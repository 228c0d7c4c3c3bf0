"""What thresholds promise against what they keep, by simulation on a law whose risks are known exactly.

A frame holds Poisson(6) visible shadows; 97 of 100 get a candidate, with a score of N(3, 1). Its false alarms are
Poisson with a mean that is itself drawn, gamma of mean 20 and shape 2, since some frames are busier than others;
their scores are N(0, 1). At threshold t a frame has Poisson(6·0.97·Φ(3 − t)) hits and a negative binomial number of
false alarms, from which the true risk of any threshold follows.

    python tests/benchmarks/coverage.py            # 1,000 calibrations a line, about two minutes
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.stats import binom, nbinom, norm, poisson

from moteyard.bench.cells import Record
from moteyard.bench.store import FALSE_ALARM, HIT, SPOT_TYPE, TRUTH_TYPE, FrameRow, ResultRow
from moteyard.bench.wishes import PrecisionWish, RecallWish, Wish

SHADOWS, OFFERED, LIFT = 6.0, 0.97, 3.0
BUSY, SHAPE = 20.0, 2.0


def frame(rng):
    """Draw one frame as the statistics take it."""
    shadows = rng.poisson(SHADOWS)
    hits = rng.normal(LIFT, 1, rng.binomial(shadows, OFFERED))
    false = rng.normal(0, 1, rng.poisson(rng.gamma(SHAPE, BUSY / SHAPE)))
    spots = np.zeros(len(hits) + len(false), dtype=SPOT_TYPE)
    spots["score"] = np.concatenate([hits, false])
    spots["kind"] = np.repeat([HIT, FALSE_ALARM], [len(hits), len(false)])
    truth = np.zeros(shadows, dtype=TRUTH_TYPE)
    truth["counted"] = True
    name = str(rng.integers(1 << 62))
    row = FrameRow(name, name, "sky", 8.0, name, 1.0, "", "", 0.01, 0.1, truth)
    return Record(row, ResultRow(name, "m", "m-1", None, 0.1, 0.1, spots[np.argsort(-spots["score"])]))


def false_alarms(threshold):
    """Return the law of a frame's false alarms above a threshold."""
    mean = max(BUSY * norm.sf(threshold), 1e-300)
    return nbinom(SHAPE, SHAPE / (SHAPE + mean))


def loud_risk(threshold, most):
    """Return the share of frames with more than `most` false alarms."""
    return float(false_alarms(threshold).sf(most))


def miss_risk(threshold):
    """Return the mean miss rate of a frame with shadows."""
    return 1 - OFFERED * float(norm.sf(threshold - LIFT))


def false_risk(threshold):
    """Return the mean share of false finds in frames with finds."""
    hits = poisson(SHADOWS * OFFERED * norm.sf(threshold - LIFT)).pmf(np.arange(40))[:, None]
    false = false_alarms(threshold).pmf(np.arange(200))[None, :]
    found = np.arange(40)[:, None] + np.arange(200)[None, :]
    share = np.divide(np.arange(200)[None, :], found, out=np.zeros(found.shape), where=found > 0)
    return float((hits * false * share).sum() / (1 - hits[0, 0] * false[0, 0]))


def picks(wish, frames, trials, seed):
    """Return the wish's picks on fresh calibrations."""
    rng = np.random.default_rng(seed)
    return [wish.pick([frame(rng) for _ in range(frames)]) for _ in range(trials)]


def quiet(frames, trials, share=0.9, confidence=0.95):
    """Return how often a promise was made, and how often it was made and not kept."""
    found = picks(Wish(1, share, confidence), frames, trials, frames)
    made = [pick for pick in found if pick.guaranteed]
    return len(made) / trials, sum(loud_risk(pick.threshold, 1) > 1 - share for pick in made) / trials


def precise(frames, trials, share=0.9, confidence=0.95):
    """As `quiet`."""
    found = picks(PrecisionWish(share, confidence), frames, trials, frames)
    made = [pick for pick in found if pick.guaranteed]
    return len(made) / trials, sum(false_risk(pick.threshold) > 1 - share for pick in made) / trials


def recalled(frames, trials, share=0.9):
    """Return how often a promise was made, and the mean miss rate over the calibrations."""
    found = picks(RecallWish(share), frames, trials, frames)
    made = [miss_risk(pick.threshold) for pick in found if pick.guaranteed]
    return len(made) / trials, float(np.sum(made)) / trials


def covered(wish, threshold, truth, frames, trials):
    """Return how often the interval on held-out frames holds the true value at a fixed threshold."""
    rng = np.random.default_rng([frames, 7])
    held = 0
    for _ in range(trials):
        trial = wish.trial([], [frame(rng) for _ in range(frames)], threshold)
        held += trial.low <= truth <= trial.high
    return held / trials


def intervals(trials):
    """Print how often the intervals on held-out frames hold the truth."""
    at = 1.5
    print(f"{'95 % interval on held-out frames':<44}{'frames':>7}{'':>7}{'nominal':>9}{'actual':>8}{'±':>7}")
    for frames in (30, 60):
        lines = [
            ("share of quiet frames (exact)", Wish(), 1 - loud_risk(at, 1)),
            ("recall (bootstrap)", RecallWish(0.9), 1 - miss_risk(at)),
            ("precision (bootstrap)", PrecisionWish(0.9), 1 - false_risk(at)),
        ]
        for name, wish, truth in lines:
            actual = covered(wish, at, truth, frames, trials)
            error = 2 * binom(trials, 0.95).std() / trials
            print(f"{name:<44}{frames:>7}{'':>7}{0.95:>9.3f}{actual:>8.3f}{error:>7.3f}")


def main(trials):
    """Print the table."""
    print(f"{trials} calibrations a line; ± two binomial standard errors of the actual value, if it were nominal")
    print(f"{'promise':<44}{'frames':>7}{'made':>7}{'nominal':>9}{'actual':>8}{'±':>7}")
    for frames in (30, 60, 200):
        lines = [
            ("≤ 1 false alarm in 90 % of frames, 95 % sure", 0.05, *quiet(frames, trials)),
            ("precision ≥ .8, 95 % sure", 0.05, *precise(frames, trials, 0.8)),
            ("precision ≥ .9, 95 % sure", 0.05, *precise(frames, trials, 0.9)),
            ("recall ≥ .9 on average: miss rate", 0.1, *recalled(frames, trials)),
        ]
        for name, nominal, made, actual in lines:
            error = "" if "average" in name else f"{2 * binom(trials, nominal).std() / trials:.3f}"
            print(f"{name:<44}{frames:>7}{made:>7.2f}{nominal:>9.3f}{actual:>8.3f}{error:>7}")


if __name__ == "__main__":
    asked = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    main(asked)
    intervals(asked)
