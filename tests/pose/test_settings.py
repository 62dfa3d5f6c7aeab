from __future__ import annotations

import pytest

from vision_rom.errors import UsageError
from vision_rom.pose import PoseSettings


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"model": "lite"}, "no pose model 'lite'; the models are full and heavy"),
        ({"person": 0}, "from 1 to 3"),
        ({"person": 4}, "from 1 to 3"),
        ({"max_people": 0}, "1 to 10"),
        ({"min_detection": 0.0}, "min_detection must be more than 0"),
        ({"min_presence": 1.5}, "at most 1"),
    ],
    ids=str,
)
def test_a_setting_that_means_nothing_is_told(wrong, sentence):
    with pytest.raises(UsageError, match=sentence):
        PoseSettings(**wrong)
