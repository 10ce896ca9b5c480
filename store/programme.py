"""A programme: a folder with settings.toml, programme.duckdb and sorties/, and every question it answers.

Every method that answers gives a pandas frame: quantities SI (the units stand in
`frame.attrs["units"]`, column -> unit), times as UTC datetimes, words as written in the
vocabulary. Faces convert to the display units of the settings.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..shared.errors import NoProgrammeError
from ..shared.late import pandas as pd
from ..shared.settings import Settings, load_settings
from . import fetch as fetching
from . import find as finding
from . import judgement, query, shards, sources, sql
from .bucket import is_remote
from .commit import recover
from .connection import open_catalog
from .creation import make_programme
from .engine import HERE, Engine
from .marks import Mark, read_marks
from .narrowing import Narrowing
from .overview import list_coverage
from .places import SETTINGS, is_programme
from .remote import begin_remote, open_remote, writing
from .report import AddReport
from .saved import SavedCondition, as_asked, list_saved
from .turns import OnProgress

if TYPE_CHECKING:  # imported by the methods that read logs or detect: half a second no question waits for
    from ..ingest.rows import RawRow
    from . import answers
    from . import questions as asking

Moment = float | dt.datetime  # seconds since the sortie's start, or an aware time


@dataclass(frozen=True, slots=True)
class Programme:
    """A handle on one programme folder. Opens the catalog for each question and closes it again."""

    folder: Path

    @property
    def settings(self) -> Settings:
        """settings.toml as it stands now. Raises SettingsError."""
        return load_settings(self.folder / SETTINGS)

    def add(self, paths: Sequence[Path], on_progress: OnProgress | None = None, *, engine: Engine = HERE) -> AddReport:
        """Add sorties: each path is a sortie's folder or zip, or a folder of such.

        Same content again adds nothing; a name already taken by other content fails for that
        sortie alone. `on_progress(text, done, total)` is called before each sortie and at the end. `engine` does
        the reading and detecting (store.engine_choice.open_engine); the answers are the same with any.
        """
        from . import add as adding

        with writing(self.folder):
            return adding.add_sorties(self.folder, paths, self.settings, engine=engine, on_progress=on_progress)

    def readd(
        self, paths: Sequence[Path], on_progress: OnProgress | None = None, *, engine: Engine = HERE
    ) -> AddReport:
        """As `add`, but a sortie of the same name is replaced, also by the same content (new settings, new program)."""
        from . import add as adding

        with writing(self.folder):
            return adding.replace_sorties(self.folder, paths, self.settings, engine=engine, on_progress=on_progress)

    def rebuild(self, on_progress: OnProgress | None = None, *, engine: Engine = HERE) -> AddReport:
        """Make the catalog, tracks and frames anew from the kept source files, with the settings of now."""
        from . import rebuild as rebuilding

        with writing(self.folder):
            return rebuilding.rebuild(self.folder, self.settings, engine=engine, on_progress=on_progress)

    def redetect(
        self,
        sorties: Sequence[str] = (),
        *,
        criteria: str | None = None,
        on_progress: OnProgress | None = None,
        engine: Engine = HERE,
    ) -> AddReport:
        """Find points, events, states and manoeuvres of these sorties (all when none is named) again, from the
        stored tracks; criteria: a preset of shared.criteria_presets in place of [points], None for the settings."""
        from . import redetect as detecting

        with writing(self.folder):
            settings = self.settings if criteria is None else self.settings.with_criteria(criteria)
            return detecting.redetect(self.folder, sorties, settings, engine=engine, on_progress=on_progress)

    def questions(self, sortie: str | None = None, *, answered: bool = False) -> list[asking.Asked]:
        """Open questions, each once for its recorder with the sorties that ask it; or those answered before."""
        from . import questions as asking

        if answered:
            return asking.list_answered(self.folder, self.settings)
        return asking.list_open(self.folder, self.settings, sortie)

    def answer(self, question: str, value: str, on_progress: OnProgress | None = None) -> answers.AnswerReport:
        """Answer a question by its id: the answer becomes the recorder's profile in settings.toml, and every
        sortie of that recorder is read again from its kept files. Answering again changes the answer.

        Raises QuestionError for an unknown id or a value that is no answer.
        """
        from . import answers

        with writing(self.folder):
            return answers.answer_question(self.folder, question, value, on_progress=on_progress)

    def remove(self, sortie: str) -> AddReport:
        """Take a sortie and its kept files out; reports others detected again without it. Raises UnknownSortieError."""
        from . import add as adding

        with writing(self.folder):
            return adding.remove_sortie(self.folder, sortie, self.settings, engine=HERE)

    def sorties(self) -> pd.DataFrame:
        """One row per sortie: sortie, start_utc, stop_utc, duration_s, aircraft, tracks, points, refused,
        events, doubts, faults, added_utc, settings_hash, settings_current, program."""
        return query.list_sorties(self.folder, self.settings.digest())

    def channels(self, sortie: str | None = None) -> pd.DataFrame:
        """One row per channel and track: sortie, track, channel, unit, header, unit_as_written, samples,
        valid, low, high, step, derived_from. Track 'frame' is the common clock `find` works on."""
        return query.list_channels(self.folder, sortie)

    def points(
        self,
        sortie: str | None = None,
        config: Mapping[str, str] | None = None,
        *,
        refused: bool = False,
        kind: str | None = None,
    ) -> pd.DataFrame:
        """Stabilised points in time order, refused candidates too when `refused`.

        config: {"gear": "down", "flap": "full", "power": "idle", "propulsion": "windmilling"}, any of
        them. Columns: sortie, number, start_utc, stop_utc, start_s, stop_s, duration_s, kind, gear,
        flap, power, propulsion, score, accepted, reasons (list of mappings), detector, then per
        main channel its mean `<channel>` and standard error `<channel>_error`.
        """
        return query.list_points(self.folder, sortie, config, refused=refused, kind=kind)

    @contextmanager
    def reading(self) -> Iterator[None]:
        """Keep the catalog open for the questions asked inside the block: they look through one opening, at one state.

        A writer waits meanwhile: for a handful of quick questions only.
        """
        with open_catalog(self.folder):
            yield

    def judged_points(
        self, sortie: str | None = None, config: Mapping[str, str] | None = None, *, refused: bool = False
    ) -> pd.DataFrame:
        """As `points`, with people's judgement laid over what was found: accepted as they have it, moved and added
        stretches measured anew. Further columns: found_accepted, judgement, judged_by, judged_reason, judged_utc, moved_from_s."""
        return judgement.list_judged(self.folder, sortie, config, refused=refused)

    def judged_statistics(self, sortie: str | None = None) -> pd.DataFrame:
        """As `statistics`, for the judged points."""
        return judgement.list_judged_statistics(self.folder, sortie)

    def judge(
        self,
        sortie: str,
        action: str,
        *,
        number: int | None = None,
        stretch: tuple[dt.datetime, dt.datetime] | None = None,
        words: tuple[str, str],
    ) -> Mark:
        """Keep a judgement: accept, reject, move or withdraw on a point's number, or add a stretch (UTC).

        words: the reason, and who says so. It lies beside what was found, survives redetection and rebuild.
        """
        with writing(self.folder):
            return judgement.judge_point(self.folder, sortie, action, number=number, stretch=stretch, words=words)

    def marks(self, sortie: str | None = None) -> list[Mark]:
        """Every judgement in the order they were made."""
        return read_marks(self.folder, sortie)

    def coverage(self, step: float, aircraft: str | None = None) -> pd.DataFrame:
        """Accepted points (of one aircraft, or all) by configuration and calibrated airspeed: gear, flap, propulsion, kind, lower_edge (of the
        class, a multiple of `step` [m/s]; NaN: not recorded), points, sorties."""
        return list_coverage(self.folder, step, aircraft)

    def statistics(self, sortie: str | None = None, number: int | None = None) -> pd.DataFrame:
        """Every channel over every point, long: sortie, number, accepted, channel, unit, mean, deviation,
        slope_per_s, standard_error, samples, low, high (in `unit`)."""
        return query.list_statistics(self.folder, sortie, number)

    def events(self, sortie: str | None = None, kind: str | None = None) -> pd.DataFrame:
        """Events in time order, of a kind or a family (`gear`): sortie, number, kind, time_utc, stop_utc, time_s, stop_s, uncertainty_s,
        channel, before, after, confidence, detector, facts."""
        return query.list_events(self.folder, sortie, kind)

    def manoeuvres(self, sortie: str | None = None, kind: str | None = None) -> pd.DataFrame:
        """Manoeuvres in time order: sortie, number, kind, start_utc, stop_utc, start_s, stop_s, duration_s,
        channels, confidence, detector, facts (mapping, SI)."""
        return query.list_manoeuvres(self.folder, sortie, kind)

    def findings(self, sortie: str | None = None) -> pd.DataFrame:
        """Findings, worst first: sortie, level, code, text, place, times, stage, start_s, stop_s, facts."""
        return query.list_findings(self.folder, sortie)

    def states(self, sortie: str | None = None, channel: str | None = None) -> pd.DataFrame:
        """States in run-length form: sortie, channel, value, start_utc, stop_utc, start_s, stop_s, duration_s."""
        return query.list_states(self.folder, sortie, channel)

    def phases(self, sortie: str | None = None) -> pd.DataFrame:
        """Phases of flight: sortie, kind, start_utc, stop_utc, start_s, stop_s, duration_s."""
        return query.list_phases(self.folder, sortie)

    def ledger(self, sortie: str | None = None) -> pd.DataFrame:
        """One row per source file: file, adapter, sha256, bytes, rows in and out, clock with its uncertainty,
        and `ledger` (mapping) with every decision and its evidence."""
        return query.list_sources(self.folder, sortie)

    def source_row(self, sortie: str, file: str, row: int) -> sources.SourceRow:
        """Row `row` (line or packet number) of a kept source file, and the samples that came from it.

        Raises InputError for a file or row there is not, StoreError for a kept file that was changed.
        """
        return sources.read_source_row(self.folder, sortie, file, row)

    def source_lines(self, sortie: str, file: str, rows: Sequence[int]) -> list[RawRow]:
        """Several rows of a kept source file as they stand in it."""
        return sources.read_source_lines(self.folder, sortie, file, rows)

    def rows_between(self, sortie: str, start_s: float, stop_s: float) -> pd.DataFrame:
        """As `point_rows`, for any stretch of a sortie, in seconds since its start."""
        return sources.list_rows_between(self.folder, sortie, start_s, stop_s)

    def source_rows_around(
        self, sortie: str, file: str, moment: Moment | dt.time, count: int = 3
    ) -> list[sources.SourceRow]:
        """The rows of a kept source file nearest to a moment, up to `count` on each side, in order of time."""
        return sources.read_rows_around(self.folder, sortie, file, moment, count)

    def point_rows(self, sortie: str | None = None) -> pd.DataFrame:
        """The rows of the main recorder's files each point (refused candidates too) rests on: sortie,
        number, file, first, last (row numbers, both included)."""
        return sources.list_point_rows(self.folder, sortie)

    def card(self, sortie: str) -> Mapping[str, object]:
        """The sortie's test card, quantities SI; keys as in shared.recording.TestCard."""
        return query.read_card(self.folder, sortie)

    def samples(
        self,
        sortie: str,
        channels: Sequence[str] | None = None,
        *,
        start: Moment | None = None,
        stop: Moment | None = None,
    ) -> pd.DataFrame:
        """The frame's rows with start <= time < stop: time_utc, t (seconds), gap (counts the gaps before
        the row: never draw across a change of it), then the channels (all when None)."""
        return query.read_samples(self.folder, sortie, channels, start=start, stop=stop)

    def track(self, sortie: str, track: str) -> pd.DataFrame:
        """One recorder at its native rate: time_utc, time_s, row and source (way back to the file), channels."""
        return query.read_track_frame(self.folder, sortie, track)

    def find(
        self,
        condition: str,
        at_least_s: float | None = None,
        *,
        join_s: float | None = None,
        sortie: str | Sequence[str] | None = None,
        narrowed: Narrowing = finding.ALL,
        channels: Sequence[str] = (),
        engine: Engine = HERE,
    ) -> finding.FindResult:
        """Stretches where an SQL condition over channels and states holds; see store/find.py.

        narrowed: only inside points, phases, events or manoeuvres found, only near events. channels: those measured
        (mean, low, high, first, last) in place of the main ones. `@name` asks a saved condition, with the lengths and
        narrowing saved with it where none are given here. `engine`: the sorties are shared out among its workers. Raises ConditionError, in one line, for a condition that cannot be
        evaluated, ChannelError.
        """
        asked = as_asked(self.folder, condition, at_least_s, join_s)
        narrowed = asked.narrowing if narrowed == finding.ALL else narrowed
        question = shards.Question(asked.condition, asked.at_least, asked.join, narrowed, tuple(channels))
        sorties = (sortie,) if isinstance(sortie, str) else sortie
        return shards.find_shared(self.folder, question, sorties, engine=engine)

    def fetch(
        self, condition: str, channels: Sequence[str] = (), *, margin_s: float = 0.0, **restrictions: Any
    ) -> fetching.FetchResult:
        """The samples of every stretch `find` gives (restrictions as there), and of a margin before and after it.

        Without channels, those `find` gives the means of. See store/fetch.py.
        """
        found = self.find(condition, **restrictions)
        named = tuple(channels) or fetching.channels_of(found.frame)
        rows = fetching.fetch_rows(self.folder, found.frame, named, margin_s=margin_s)
        return dataclasses.replace(rows, considered=found.considered, left_out=found.left_out)

    def fetch_stretches(
        self, stretches: pd.DataFrame, channels: Sequence[str], *, margin_s: float = 0.0
    ) -> fetching.FetchResult:
        """The samples of any stretches (columns sortie, start_s, stop_s: points, phases, manoeuvres ...)."""
        return fetching.fetch_rows(self.folder, stretches, channels, margin_s=margin_s)

    def summarise(self, stretches: pd.DataFrame, channels: Sequence[str]) -> fetching.FetchResult:
        """Mean, deviation, low, high, first and last of channels over each of any stretches."""
        return fetching.summarise(self.folder, stretches, channels)

    def sql(self, statement: str, *, time_limit_s: float = sql.TIME_LIMIT_S) -> pd.DataFrame:
        """The answer to one SELECT over the views of store/views.py and `samples`; read only. Raises ConditionError."""
        return sql.ask_sql(self.folder, statement, time_limit_s=time_limit_s)

    def condition(self, text: str) -> str:
        """A condition as it is written, that of the saved one where `@name` stands for it."""
        return as_asked(self.folder, text, None, None).condition

    def saved(self) -> Mapping[str, SavedCondition]:
        """Conditions kept under a name, asked by `@name`."""
        return list_saved(self.folder)


def create_programme(folder: Path | str) -> Programme:
    """Make a programme in a new or existing folder, or at an address s3://bucket/prefix.

    Raises StoreError when one is already there.
    """
    if is_remote(folder):
        with tempfile.TemporaryDirectory() as local:
            return Programme(begin_remote(folder, create_programme(Path(local) / "new").folder))
    folder = Path(folder)
    make_programme(folder)
    return Programme(folder.resolve())


def open_programme(folder: Path | str | None = None) -> Programme:
    """The programme in `folder` or at an address s3://..., or (None) in the current folder or the nearest one above it.

    Raises NoProgrammeError, SchemaVersionError, and StoreError for a missing or damaged catalog.
    """
    programme = Programme(find_programme(folder))
    recover(programme.folder)
    with open_catalog(programme.folder):
        pass
    return programme


def find_programme(folder: Path | str | None = None) -> Path:
    """The programme's folder alone, its catalog not opened: what `rebuild` starts from."""
    if folder is not None:
        if is_remote(folder):
            return open_remote(folder)
        folder = Path(folder)
        if is_programme(folder):
            return folder.resolve()
        raise NoProgrammeError(
            "no programme in this folder",
            where=str(folder),
            do="make one with `trimshot new FOLDER`, or name the folder that holds settings.toml",
        )
    here = Path.cwd()
    for candidate in (here, *here.parents):
        if is_programme(candidate):
            return candidate
    raise NoProgrammeError(
        "no programme in this folder or above it",
        where=str(here),
        do="make one with `trimshot new FOLDER`, or go to a programme's folder",
    )
