"""The words recorders use in their column headers, and the concepts they stand for.

A header is cut into words at capitals, digits, blanks, underscores and brackets; each word stands for
one or more concepts. English throughout, with the German, French and Spanish words recorders use.
Common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

from ..shared.units import find_unit

# concept -> the words that stand for it
_CONCEPTS: dict[str, str] = {
    "airspeed": "airspeed aspd fahrt fluggeschwindigkeit eigengeschwindigkeit",
    "air": "air luft aire",
    "speed": "speed spd v vel velocity geschwindigkeit geschw vitesse velocidad",
    "indicated": "indicated ind angezeigt angezeigte indiquee indiquée indicada",
    "calibrated": "calibrated cal rectified computed",
    "equivalent": "equivalent equiv",
    "true": "true wahr wahre rechtweisend vrai vraie verdadera verdadero",
    "magnetic": "magnetic mag missweisend magnetique magnetico compass kompass",
    "ground": "ground gnd grd boden sol suelo",
    "vertical": "vertical vert verticale vertical steig steigen",
    "climb": "climb ascent",
    "rate": "rate rt",
    "altitude": "alt altitude height hgt hoehe hohe hauteur altitud elev elevation ele",
    "pressure": "pressure press pres pr p druck pression presion",
    "standard": "std standard qne isa norm",
    "baro": "baro barometric barometer qnh kollsman altimeter altim",
    "setting": "setting set subscale einstellung",
    "satellite": "satellite gnss gps gns sat",
    "ellipsoid": "ellipsoid ellipsoidal hae wgs",
    "sealevel": "msl amsl sealevel",
    "geoid": "geoid undulation geoidal separation",
    "static": "static statisch statique",
    "impact": "impact dynamic qc qbar pitot stau staudruck differential",
    "temperature": "temperature temp t temperatur temperatura tmp",
    "outside": "outside out outer exterior ambient aussen external ext",
    "total": "total tot",
    "pitch": "pitch theta nick tangage",
    "roll": "roll bank phi rollwinkel querneigung schraeglage roulis",
    "yaw": "yaw gier lacet",
    "attitude": "attitude att",
    "angle": "angle winkel ang",
    "heading": "heading hdg psi steuerkurs rumbo cap",
    "course": "course kurs",
    "track": "track trk",
    "turn": "turn drehrate kurvenrate",
    "acceleration": "acceleration accel acc ac g load beschleunigung factor",
    "normal": "normal nz norm",
    "lat": "lat",
    "latitude": "latitude breite breitengrad latitud",
    "lateral": "lateral ny",
    "long": "long",
    "longitude": "longitude lon lng laenge laengengrad langengrad longitud",
    "longitudinal": "longitudinal nx",
    "attack": "attack aoa alpha alfa anstellwinkel",
    "sideslip": "sideslip beta slip aos schiebewinkel",
    "quality": "quality fixq",
    "fix": "fix",
    "satellites": "sats satellites nsat numsat numsats satcount",
    "horizontal_dilution": "hdop",
    "variation": "variation var declination missweisung",
    "engine": "engine eng e motor moteur triebwerk",
    "rotation": "rpm drehzahl revs tach tacho regime umdrehungen",
    "shaft": "n",
    "propeller": "propeller prop helice luftschraube",
    "manifold": "manifold man map mp ladedruck admission",
    "fuel": "fuel kraftstoff sprit carburant combustible benzin",
    "flow": "flow fl fluss durchfluss verbrauch debit flujo",
    "quantity": "quantity qty remaining rem onboard level vorrat menge",
    "tank": "tank tanks",
    "oil": "oil oel ol huile aceite",
    "cylinder": "cylinder cyl zylinder cylindre",
    "head": "head kopf",
    "exhaust": "exhaust exh exhst abgas",
    "gas": "gas",
    "coolant": "coolant cool water wasser kuehlwasser kuhlwasser h2o",
    "bus": "bus electrical elec main battery batt bat alternator alt_volts system sys",
    "voltage": "voltage volt volts spannung",
    "current": "current amp amps ampere strom",
    "switch": "switch sw schalter",
    "lever": "lever handle selector sel hebel cmd command palanca levier",
    "throttle": "throttle thr tps",
    "power": "power leistung puissance",
    "gear": "gear train fahrwerk undercarriage lg ldg landinggear",
    "landing": "landing",
    "down": "down dn unten ausgefahren extended",
    "up": "up oben eingefahren retracted",
    "lock": "lock locked lck verriegelt",
    "flap": "flap flaps klappe klappen volet volets lk",
    "position": "position pos stellung",
    "state": "state status zustand reported",
    "detent": "detent notch step raste stufe",
    "weight": "weight wt gewicht poids",
    "on": "on",
    "wheels": "wheels wheel",
    "squat": "squat wow",
    "stall": "stall lift ueberziehwarnung",
    "warning": "warning warn horn warner alarm",
    "event": "event evt marker mark marke",
    "mass": "mass masse masa gross",
}

# words standing for several concepts at once
_COMPOUNDS: dict[str, str] = {
    "ias": "indicated airspeed",
    "kias": "indicated airspeed",
    "cas": "calibrated airspeed",
    "kcas": "calibrated airspeed",
    "eas": "equivalent airspeed",
    "keas": "equivalent airspeed",
    "tas": "true airspeed",
    "ktas": "true airspeed",
    "gs": "ground speed",
    "sog": "ground speed",
    "groundspeed": "ground speed",
    "cog": "ground course",
    "vs": "vertical speed",
    "vsi": "vertical speed",
    "vspd": "vertical speed",
    "vspeed": "vertical speed",
    "ivsi": "vertical speed",
    "roc": "climb rate",
    "vario": "vertical speed",
    "variometer": "vertical speed",
    "steigrate": "vertical speed",
    "palt": "pressure altitude",
    "hp": "pressure altitude",
    "zp": "pressure altitude",
    "vi": "indicated airspeed",
    "vias": "indicated airspeed",
    "vcas": "calibrated airspeed",
    "veas": "equivalent airspeed",
    "vtas": "true airspeed",
    "vc": "calibrated airspeed",
    "ve": "equivalent airspeed",
    "vt": "true airspeed",
    "vg": "ground speed",
    "vz": "vertical speed",
    "druckhoehe": "pressure altitude",
    "druckhohe": "pressure altitude",
    "galt": "satellite altitude",
    "hdm": "heading magnetic",
    "hdgm": "heading magnetic",
    "hdgt": "heading true",
    "hdt": "heading true",
    "oat": "outside temperature",
    "tat": "total temperature",
    "aussentemperatur": "outside temperature",
    "cht": "cylinder head temperature",
    "zkt": "cylinder head temperature",
    "zylinderkopftemperatur": "cylinder head temperature",
    "egt": "exhaust temperature",
    "agt": "exhaust temperature",
    "tit": "turbine temperature",
    "ff": "fuel flow",
    "fflow": "fuel flow",
    "fq": "fuel quantity",
    "oilt": "oil temperature",
    "oilp": "oil pressure",
    "oeltemperatur": "oil temperature",
    "oltemperatur": "oil temperature",
    "oeldruck": "oil pressure",
    "oldruck": "oil pressure",
    "clt": "coolant temperature",
    "pla": "power lever",
    "ax": "longitudinal acceleration",
    "ay": "lateral acceleration",
    "az": "normal acceleration",
    "gz": "normal acceleration",
    "gforce": "acceleration",
    "kurswinkel": "heading",
    "wendegeschwindigkeit": "turn rate",
    "hoch": "up",
    "ps": "static pressure",
    "pstatic": "static pressure",
    "bordspannung": "bus voltage",
}

# a one-letter word and its neighbour
_PAIRS: dict[tuple[str, str], str] = {
    ("v", "spd"): "vspd",
    ("v", "speed"): "vspeed",
    ("f", "qty"): "fq",
    ("f", "flow"): "ff",
    ("f", "pres"): "fuelpressure",
    ("f", "press"): "fuelpressure",
    ("g", "force"): "gforce",
    ("side", "slip"): "sideslip",
    ("wo", "w"): "wow",
    ("accel", "z"): "az",
    ("acc", "z"): "az",
    ("accel", "y"): "ay",
    ("acc", "y"): "ay",
    ("accel", "x"): "ax",
    ("acc", "x"): "ax",
    ("n", "z"): "nz",
    ("n", "y"): "ny",
    ("n", "x"): "nx",
}

# words that change nothing about what a column is
_NOISE = frozenset(
    "value val data sensor signal reading measured actual calc of in the channel ch chan inst panel display adc ahrs avg average over above and num used pilot".split()  # noqa: SIM905
)

# groups of a nested recording (JSON, HDF5) that say where a value was written, not what it is
_GROUPS = frozenset(
    "air airdata adc ahrs imu attitude aircraft airframe config configuration controls data display efis engine eng ems flight log measurements nav navigation payload position record sample sensors state surfaces telemetry values".split()  # noqa: SIM905
)

_WORD_TO_CONCEPTS: dict[str, tuple[str, ...]] = {
    **{word: (concept,) for concept, words in _CONCEPTS.items() for word in words.split()},
    **{word: tuple(phrase.split()) for word, phrase in _COMPOUNDS.items()},
}
_SIDES = {"left": 1, "l": 1, "links": 1, "lh": 1, "right": 2, "r": 2, "rechts": 2, "rh": 2}


def fold(text: str) -> str:
    """Lower case without accents: 'Höhe' -> 'hohe'."""
    return _without_accents(text).lower()


def _without_accents(text: str) -> str:
    flat = unicodedata.normalize("NFKD", text.replace("ß", "ss"))
    return "".join(c for c in flat if not unicodedata.combining(c))


_LONGEST_WORD, _LONGEST_HEADER = 60, 300  # characters; longer ones are damage, and taking them apart is slow


def split_words(header: str) -> tuple[str, ...]:
    """A header's words in lower case, a unit in brackets left out: 'CHT_1 (degF)' -> ('cht', '1')."""
    plain = re.sub(r"\(column \d+\)", " ", header[:_LONGEST_HEADER])
    plain = re.sub(r"[\(\[\{<](.*?)[\)\]\}>]", lambda m: " " if find_unit(m[1]) else f" {m[1]} ", plain)
    words = re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+", _without_accents(plain))
    return tuple(word.lower() for word in words)


def _concepts_of(word: str) -> tuple[str, ...] | None:
    """Concepts of one word, also of known words written together ('groundspeed'); None if unknown."""
    known = _WORD_TO_CONCEPTS.get(word)
    if known is not None or len(word) > _LONGEST_WORD:
        return known
    for cut in range(len(word) - 2, 2, -1):
        left = _WORD_TO_CONCEPTS.get(word[:cut])
        if left is None:
            continue
        right = _concepts_of(word[cut:])
        if right is not None:
            return left + right
    return None


@dataclass(frozen=True, slots=True)
class Reading:
    """What a header says: its concepts and, where it has one, its number (cylinder, sensor)."""

    concepts: frozenset[str]
    number: int | None
    sided: bool = False  # the number stands for left or right


def read_words(words: tuple[str, ...]) -> Reading | None:
    """Concepts and number of a header's words; None when a word is not in the table."""
    found: set[str] = set()
    number: int | None = None
    sided = False
    for place, word in enumerate(words):
        if word.isdecimal() and len(word) <= 6:  # a longer one numbers nothing
            if not (place and words[place - 1] == "wgs"):
                number = int(word)
        elif place and word in _SIDES and place == len(words) - 1:
            number, sided = _SIDES[word], True
        elif word not in _NOISE:
            concepts = _concepts_of(word)
            if concepts is None:
                return None
            found.update(concepts)
    if {"air", "speed"} <= found:
        found = (found - {"air", "speed"}) | {"airspeed"}
    return Reading(frozenset(found), number, sided)


def readings_of(header: str, unit: str | None) -> list[Reading]:
    """Ways to read a header: all its words, and without the words that only state the unit."""
    out: list[tuple[str, ...]] = []
    for text in _texts_of(header, unit):
        shortened = words = _join_pairs(split_words(text))
        out.append(words)
        for _ in range(2):
            if len(shortened) > 1 and _states_unit(shortened[-1], unit):
                shortened = shortened[:-1]
                out.append(shortened)
    readings = (read_words(choice) for choice in out)
    return [reading for reading in readings if reading is not None and reading.concepts]


def _texts_of(header: str, unit: str | None) -> list[str]:
    """The header, without a unit of several words or signs at its end, and without the groups it lies in."""
    out = [header]
    bare = _without_unit(header, unit)
    if bare is not None:
        out.append(bare)
    group, _, last = header.replace("/", ".").rpartition(".") if unit is None or "/" not in unit else ("", "", "")
    if group and last and set(split_words(group)) <= _GROUPS:
        out.append(last)
    return out


def _without_unit(header: str, unit: str | None) -> str | None:
    """'lat_e7' and 'airspeed_m/s' with their units -> 'lat', 'airspeed'; None where the unit is one plain word."""
    if not unit or unit.isalpha() or not header.endswith(unit):
        return None
    bare = header[: -len(unit)]
    return bare.rstrip(" _-.") or None if bare[-1:] in (" ", "_", "-", ".") else None


def _join_pairs(words: tuple[str, ...]) -> tuple[str, ...]:
    """'v', 'spd' -> 'vspd': one-letter words mean something only with the word behind them."""
    out: list[str] = []
    for word in words:
        joined = _PAIRS.get((out[-1], word)) if out else None
        if joined:
            out[-1] = joined
        else:
            out.append(word)
    return tuple(out)


def _states_unit(word: str, unit: str | None) -> bool:
    if unit is not None and fold(unit) in (word, word.replace("_", "")):
        return True
    found = find_unit(word)
    return found is not None and (unit is None or found is find_unit(unit))
