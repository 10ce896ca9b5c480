"""Counts over the whole programme equal what the sorties' own listings give."""

from __future__ import annotations

import numpy as np

from trimshot.store.overview import (
    count_findings,
    list_coverage,
    list_extremes,
    list_holding,
    list_recorded,
    list_words,
)
from trimshot.store.programme import Programme


def test_coverage_counts_every_accepted_point_once(eleven: Programme) -> None:
    points = eleven.points()
    found = list_coverage(eleven.folder, 5.0)
    assert found["points"].sum() == len(points)
    edges = np.floor(points["calibrated_airspeed"] / 5.0) * 5.0
    counted = points.groupby([points["gear"], points["flap"], points["propulsion"], points["kind"], edges]).size()
    placed = found.dropna(subset="lower_edge")
    assert {tuple(row[:5]): row[5] for row in placed.itertuples(index=False)} == counted.to_dict()


def test_extremes_are_those_of_the_channels(eleven: Programme) -> None:
    channels = eleven.channels()
    channels = channels[(channels["track"] != "frame") & (channels["valid"] > 0)]
    found = list_extremes(eleven.folder, ["bank", "cylinder_head_temperature"]).set_index("base")
    bank = channels[channels["channel"] == "bank"]
    assert found.loc["bank", "high"] == bank["high"].max()
    assert found.loc["bank", "low_sortie"] == bank.loc[bank["low"].idxmin(), "sortie"]
    heads = channels[channels["channel"].str.startswith("cylinder_head_temperature_")]
    assert found.loc["cylinder_head_temperature", "high"] == heads["high"].max()
    assert found.loc["cylinder_head_temperature", "sorties"] == heads["sortie"].nunique()


def test_channels_and_words_are_those_there_are(eleven: Programme) -> None:
    channels = eleven.channels()
    frame = channels[(channels["track"] == "frame") & (channels["valid"] > 0)]
    assert set(list_recorded(eleven.folder)["channel"]) == set(frame["channel"])
    name = str(frame["sortie"].iloc[0])
    assert list_holding(eleven.folder, [name]) == {name: set(frame[frame["sortie"] == name]["channel"])}
    states = eleven.states()
    words = list_words(eleven.folder)
    assert {channel: set(some) for channel, some in words.items()} == {
        str(channel): set(some["value"]) for channel, some in states.groupby("channel")
    }


def test_findings_that_are_alike_are_counted_by_sortie(eleven: Programme) -> None:
    findings = eleven.findings()
    about = findings[(findings["code"] == "NOT_ATTEMPTED") & findings["text"].str.contains("limit")]
    found = count_findings(eleven.folder, "NOT_ATTEMPTED", "limit")
    assert (
        dict(zip(found["text"], found["sorties"], strict=True)) == about.groupby("text")["sortie"].nunique().to_dict()
    )
