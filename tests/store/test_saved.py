"""Conditions kept under a name."""

from __future__ import annotations

from typing import Any

import pytest

from trimshot.shared.errors import ConditionError, StoreError
from trimshot.store.narrowing import Narrowing
from trimshot.store.programme import Programme
from trimshot.store.saved import SavedCondition, forget_condition, save_condition

STEEP = SavedCondition.model_construct(condition="vertical_speed < fpm(-500)", at_least=1.0, join=0.5, note="to see")


@pytest.fixture
def store(two: Programme, made_up: Any) -> Programme:
    """Two made-up sorties; whatever is read here is made up."""
    return two


def test_a_saved_condition_is_asked_by_its_name(store: Programme) -> None:
    save_condition(store.folder, "steep", STEEP)
    assert dict(store.saved()) == {"steep": STEEP}
    asked = store.find("@steep")
    plain = store.find("vertical_speed < fpm(-500)", 1.0, join_s=0.5)
    assert len(plain.frame) > 0
    assert asked.frame.equals(plain.frame)
    longer = store.find(" @steep ", 2.0)
    assert longer.frame.equals(store.find("vertical_speed < fpm(-500)", 2.0, join_s=0.5).frame)
    assert store.fetch("@steep", ["flap"]).stretches["start_s"].tolist() == plain.frame["start_s"].tolist()


def test_what_narrows_a_condition_is_saved_with_it(store: Programme) -> None:
    kept = STEEP.model_copy(
        update={"within": ("phase:descent",), "after": {"flap_change": 30.0}, "before": {"rpm_command": 100.0}}
    )
    save_condition(store.folder, "narrow", kept)
    assert store.saved()["narrow"] == kept
    narrowing = Narrowing(("phase:descent",), (("flap_change", 30.0),), ())
    save_condition(
        store.folder,
        "narrow",
        STEEP.model_copy(update={"within": narrowing.within, "after": {"flap_change": 30.0}}),
        replacing=True,
    )
    found = store.find("@narrow").frame
    plain = store.find(STEEP.condition, 1.0, join_s=0.5, narrowed=narrowing).frame
    assert found.equals(plain)
    assert 0 < len(found) < len(store.find(STEEP.condition, 1.0, join_s=0.5).frame)
    with pytest.raises(ConditionError):
        save_condition(store.folder, "other", STEEP.model_copy(update={"within": ("nowhere",)}))


def test_it_outlasts_everything_made_anew(store: Programme) -> None:
    save_condition(store.folder, "steep", STEEP)
    before = store.find("@steep").frame
    (store.folder / "programme.duckdb").unlink()
    assert store.rebuild().count("failed") == 0
    assert store.find("@steep").frame.equals(before)


def test_the_file_is_the_persons_own(store: Programme) -> None:
    save_condition(store.folder, "steep", STEEP)
    path = store.folder / "saved.toml"
    path.write_text(path.read_text(encoding="utf-8") + "\n# mine\n[by-hand]\ncondition = \"flap = 'full'\"\n")
    save_condition(store.folder, "third", SavedCondition.model_construct(condition="flap = '\"\\full'"))
    text = path.read_text(encoding="utf-8")
    assert "# mine" in text
    assert list(store.saved()) == ["steep", "by-hand", "third"]
    assert store.saved()["by-hand"].at_least == 0.0
    assert store.saved()["third"].condition == "flap = '\"\\full'"
    forget_condition(store.folder, "steep")
    assert list(store.saved()) == ["by-hand", "third"]
    assert "# mine" in path.read_text(encoding="utf-8")


def test_a_taken_name_stays_unless_replaced(store: Programme) -> None:
    save_condition(store.folder, "steep", STEEP)
    other = SavedCondition.model_construct(condition="flap = 'full'")
    with pytest.raises(StoreError, match="replace"):
        save_condition(store.folder, "steep", other)
    assert store.saved()["steep"] == STEEP
    save_condition(store.folder, "steep", other, replacing=True)
    assert store.saved()["steep"] == other


@pytest.mark.parametrize("name", ["", "../steep", "a b", "A", "-a", "a" * 61, "a.b", "a\nb", '"', "=a", "@a"])
def test_a_name_is_plain(store: Programme, name: str) -> None:
    with pytest.raises(StoreError, match="short and plain"):
        save_condition(store.folder, name, STEEP)
    assert not (store.folder / "saved.toml").exists()


@pytest.mark.parametrize("condition", ["flap =", "nonsense > 1", "1; DROP TABLE sortie", "@steep", ""])
def test_a_condition_that_cannot_be_asked_is_not_kept(store: Programme, condition: str) -> None:
    with pytest.raises(ConditionError):
        save_condition(store.folder, "steep", SavedCondition.model_construct(condition=condition))
    assert not (store.folder / "saved.toml").exists()


def test_a_name_not_there_is_told_with_those_there_are(store: Programme) -> None:
    with pytest.raises(ConditionError, match="nothing is saved"):
        store.find("@steep")
    save_condition(store.folder, "steep", STEEP)
    with pytest.raises(ConditionError, match="@steep"):
        store.find("@stepe")
    with pytest.raises(ConditionError):
        forget_condition(store.folder, "other")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[a\n", "TOML"),
        ("a = 1\n", r"\[a\]"),
        ('[a]\nat_least = "1 s"\n', "condition"),
        ('[a]\ncondition = "t > 1"\nat_least = "1 kt"\n', "at_least"),
        ('[a]\ncondition = "t > 1"\nafter = { gear_down = "1 kt" }\n', "after"),
        ('[a]\ncondition = "t > 1"\nlonger = "1 s"\n', "longer"),
    ],
)
def test_a_file_that_does_not_hold_together_is_told(store: Programme, text: str, said: str) -> None:
    (store.folder / "saved.toml").write_text(text, encoding="utf-8")
    with pytest.raises(StoreError, match=said) as caught:
        store.saved()
    assert "saved.toml" in caught.value.text()
