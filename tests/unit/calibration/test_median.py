"""The median of pictures against numpy's."""

import numpy as np
import pytest

from calibration.median import median_picture, upper_median_picture


@pytest.mark.parametrize("count", range(1, 12))
def test_medians_are_those_of_every_pixel_by_itself(count: int) -> None:
    pictures = np.random.default_rng(count).integers(0, 256, (count, 40, 30, 3)).astype(np.uint8)
    np.testing.assert_array_equal(upper_median_picture(list(pictures)), np.sort(pictures, axis=0)[count // 2])
    np.testing.assert_array_equal(median_picture(list(pictures)), np.median(pictures, axis=0).round())
