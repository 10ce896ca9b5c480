"""Errors: one readable line, facts as attributes, and whole after a journey to another process."""

import pickle

import pytest

from trimshot.shared import errors
from trimshot.shared.errors import ParseError, TrimshotError

CLASSES = [kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, TrimshotError)]


@pytest.mark.parametrize("kind", CLASSES, ids=lambda kind: str(kind.__name__))
def test_error_survives_pickling(kind: type[TrimshotError]) -> None:
    error = kind("it broke", where="a.csv, line 3", found="'x'", allowed="a number", do="mend it", code="BAD", line=3)
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is kind
    assert str(back) == str(error)
    assert vars(back) == vars(error)


def test_text_says_what_where_found_allowed_and_do() -> None:
    error = ParseError("not a number", where="a.csv, line 3", found="'x'", allowed="digits", do="mend it")
    assert str(error) == "a.csv, line 3: not a number; found 'x'; allowed: digits; mend it"
    assert error.text() == str(error)


def test_text_without_facts_is_the_sentence_alone() -> None:
    assert str(TrimshotError("it broke")) == "it broke"


def test_an_error_of_a_branch_is_caught_by_its_root() -> None:
    with pytest.raises(errors.InputError):
        raise errors.ClockError("no time")
    with pytest.raises(errors.StoreError):
        raise errors.LockedError("somebody writes")


def test_the_outline_at_the_modules_head_names_every_class() -> None:
    assert errors.__doc__
    for kind in CLASSES:
        assert kind.__name__ in errors.__doc__
