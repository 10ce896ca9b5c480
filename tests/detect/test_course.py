"""A state's course as words at times: hand-worked."""

from __future__ import annotations

import numpy as np

from trimshot.detect.course import UNKNOWN, Course


def test_each_word_holds_from_its_start_and_none_is_known_outside() -> None:
    course = Course("gear", np.array([1.0, 3.0]), ("up", "down"), 5.0)
    expected = [UNKNOWN, "up", "up", "down", "down", UNKNOWN, UNKNOWN]
    assert course.labels(np.arange(7.0)).tolist() == expected
    assert course.labels(np.empty(0)).tolist() == []
    assert course.at(2.5) == "up"


def test_a_course_of_nothing_knows_nothing() -> None:
    assert Course("gear", np.empty(0), (), 0.0).labels(np.arange(3.0)).tolist() == [UNKNOWN] * 3


def test_a_word_that_begins_past_the_end_is_not_told() -> None:
    course = Course("flap", np.array([0.0, 9.0]), ("up", "full"), 2.0)
    assert course.labels(np.arange(4.0)).tolist() == ["up", "up", UNKNOWN, UNKNOWN]
