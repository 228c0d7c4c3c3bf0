"""The gain of many photographs with independent noise against the square root of their number."""

import numpy as np
import pytest
from scipy.stats import norm

from moteyard.detectors.consensus_likelihood import evidence, longest_standing
from moteyard.detectors.consensus_tiles import responses
from moteyard.detectors.profiles import Profile
from moteyard.generators.optics import Optics

SHAPE, PITCH, SIGMA = (620, 820), 41, 0.05
STRENGTH = 0.8
"""d′ in one photograph."""

PHOTOGRAPHS = 16


@pytest.fixture(scope="module")
def by_frame():
    """Evidence (photographs, places) where a faint shadow lies in white noise, and half way between."""
    log = Profile(30.0, Optics(f_number=11.0)).log(2)
    template = log / np.sqrt((log.astype(np.float64) ** 2).sum()).astype(np.float32)
    half = template.shape[0] // 2
    assert 2 * half + 1 < PITCH
    rows, columns = np.meshgrid(*(np.arange(PITCH, side - PITCH, PITCH) for side in SHAPE), indexing="ij")
    rng = np.random.default_rng(31)
    present, absent = [], []
    for _ in range(PHOTOGRAPHS):
        picture = rng.normal(0, SIGMA, SHAPE).astype(np.float32)
        for y, x in zip(rows.ravel(), columns.ravel(), strict=True):
            picture[y - half : y + half + 1, x - half : x + half + 1] += STRENGTH * SIGMA * template
        ((response, _),) = responses(picture, [template])
        said = evidence(response, np.full_like(response, STRENGTH))
        present.append(said[rows, columns].ravel())
        absent.append(said[rows + PITCH // 2, columns + PITCH // 2].ravel())
    return np.array(present), np.array(absent)


def area(present, absent):
    """Return the area under the ROC: the share of pairs in the right order."""
    return float((present[:, None] > absent[None, :]).mean())


@pytest.mark.parametrize("count", [1, 2, 4, 8, 16])
def test_detectability_grows_as_the_root_of_the_number(by_frame, count):
    present, absent = (longest_standing(all_[:count])[0] for all_ in by_frame)
    # d′ of M independent looks is √M d′, and the area Φ(d′/√2) (Green & Swets 1966, ch. 9, from memory)
    ideal = norm.cdf(np.sqrt(count) * STRENGTH / np.sqrt(2))
    # by its own spectrum a tile loses some of the response, and a heavy tail a little more
    assert area(present, absent) == pytest.approx(ideal, abs=0.045)
    if count > 1:
        assert area(present, absent) > area(*(all_[0] for all_ in by_frame)) + 0.05
