"""What the words of a column's name say: dimension, side, direction, number, unit. Generic words of four languages."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

# What is said: words in English, German, French and Spanish, without accents. Common practice.
DIMENSIONS = {
    "power": ("power", "leistung", "puissance", "potencia", "watts", "watt"),
    "energy": (
        "energy", "energie", "energia", "ertrag", "zaehler", "zahler", "zaehlerstand", "zahlerstand", "counter",
        "register", "compteur", "contador",
    ),
    "voltage": ("voltage", "volts", "volt", "spannung", "tension"),
    "current": ("current", "amps", "strom", "courant", "intensite", "corriente", "intensidad"),
    "frequency": ("frequency", "frequenz", "frequence", "frecuencia", "freq"),
    "temperature": ("temperature", "temp", "temperatur", "temperatura"),
    "irradiance": (
        "irradiance", "irradiation", "einstrahlung", "bestrahlungsstaerke", "strahlung", "rayonnement", "eclairement",
        "irradiancia", "radiacion", "radiation", "ghi", "dni", "dhi", "gpoa", "globalstrahlung",
    ),
    "speed": ("wind", "windspeed", "windgeschwindigkeit", "vent", "viento"),
    "share": ("soc", "ladezustand", "ladestand"),
    "code": ("status", "state", "mode", "zustand", "betriebszustand", "etat", "estado", "modo"),
}  # fmt: skip
SIDES = {
    "ac": ("ac", "mains", "grid", "netz", "reseau", "red", "wechsel"),
    "dc": ("dc", "string", "strang", "mpp", "mppt", "pv", "solar", "chaine", "cadena", "gleich"),
    "inverter": ("inverter", "wechselrichter", "onduleur", "inversor", "output", "ausgang", "sortie", "salida"),
    "meter": ("meter", "gridmeter", "stromzaehler"),
    "import": (
        "import", "imported", "bezug", "soutirage", "importacion", "importada", "purchased",
    ),
    "export": (
        "export", "exported", "einspeisung", "injection", "exportacion", "exportada", "vertido",
        "feedin", "lieferung",
    ),
    "battery": ("battery", "batterie", "speicher", "bateria", "akku"),
    "diverter": ("diverter", "immersion", "heizstab", "warmwasser"),
    "charger": ("charger", "wallbox", "ev", "ladestation", "borne", "cargador"),
    "production": ("yield", "production", "produktion", "produccion", "erzeugung", "ertrag", "generation", "generated"),
    "house": (
        "consumption", "load", "house", "verbrauch", "consommation", "consumo",
        "carga", "selfconsumption",
    ),
    "module": ("module", "modul", "modulo", "panel", "cell", "zelle", "zell", "cellule", "celda", "mod", "optimizer"),
    "air": (
        "air", "ambient", "outdoor", "aussen", "umgebung", "exterieur",
        "ambiante", "ambiente", "exterior", "luft",
    ),
    "poa": ("poa", "gpoa", "plane", "tilted", "inclined", "modulebene", "geneigt", "incline", "inclinado", "gti"),
    "ghi": ("ghi", "global", "horizontal", "globalstrahlung"),
    "dni": ("dni", "beam", "normal", "direct", "direkt", "directe", "directa"),
    "dhi": ("dhi", "diffuse", "diffus", "difusa"),
    "discharge": ("discharge", "discharging", "entladung", "entladen", "decharge", "descarga"),
    "charge": ("charge", "charging", "ladung", "laden", "carga"),
    "total": ("total", "lifetime", "gesamt", "counter", "zaehler", "zahler", "zaehlerstand",
              "zahlerstand", "register", "compteur", "contador", "cumulative", "cumul", "acumulada"),
    "day": ("today", "daily", "day", "heute", "tag", "tage", "jour", "journalier", "hoy", "diario", "dia"),
    # Words that make of a reading something else than the mean, the energy or the register.
    "other": (
        "max", "min", "maximum", "minimum", "peak", "limit", "setpoint", "sollwert", "rated", "nominal", "forecast",
        "prognose", "target", "apparent", "reactive", "schein", "blind", "scheinleistung", "blindleistung", "cos",
        "phi", "factor", "faktor", "stddev", "count", "error", "alarm", "fehler", "dump", "cabinet", "heatsink",
        "nenn", "maximal", "fan", "price", "tariff", "delta", "earth", "insulation", "isolation", "co2",
    ),
}  # fmt: skip
_LABELLED = frozenset(
    ("phase", "string", "strang", "mppt", "mpp", "inverter", "meter", "line", "tracker", "array", "input", "channel")
)
_SYMBOLS = {
    "p": "power", "u": "voltage", "v": "voltage", "i": "current", "e": "energy", "t": "temperature", "f": "frequency",
    "g": "irradiance",
}  # fmt: skip
_COMPACT = re.compile(r"^(?P<symbol>[puvieftg])(?P<side>ac|dc|pv|mppt|mpp|grid|total|day|poa|mod|amb)$")
_COMPACT_SIDE = {"pv": "dc", "mppt": "dc", "mpp": "dc", "grid": "ac", "mod": "module", "amb": "air"}

# A unit as written to ours; "" for one that is known and that no key takes.
_UNITS = {
    "kwh": "kWh", "kw h": "kWh", "wh": "Wh", "mwh": "", "kw": "kW", "w": "W", "mw": "", "watt": "W", "watts": "W",
    "v": "V", "volt": "V", "volts": "V", "kv": "", "mv": "", "a": "A", "amp": "A", "amps": "A", "ma": "",
    "hz": "Hz", "w/m2": "W/m2", "w/m²": "W/m2", "w/m^2": "W/m2", "wm-2": "W/m2", "w m-2": "W/m2", "w/qm": "W/m2",
    "°c": "degC", "ºc": "degC", "degc": "degC", "deg c": "degC", "c": "degC", "celsius": "degC", "°f": "",
    "degf": "", "%": "%", "pct": "%", "m/s": "m/s", "km/h": "", "mph": "", "va": "", "kva": "", "var": "",
    "kvar": "", "varh": "", "kvarh": "", "kw/m2": "", "wh/m2": "", "kwh/m2": "", "j/m2": "", "ah": "", "mj": "",
}  # fmt: skip
_ALTERNATIVES = "|".join(re.escape(u) for u in sorted(_UNITS, key=len, reverse=True))
_IN_BRACKETS = re.compile(rf"[\[({{<]\s*(?P<unit>{_ALTERNATIVES})\s*[\])}}>]", re.IGNORECASE)
_AT_END = re.compile(rf"(?P<before>.*?)(?:^|[\s_./:,-])(?P<unit>{_ALTERNATIVES})\s*$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Name:
    """What a column's name says; `unit` is ours, None where it says none, "" where it says one that is not ours."""

    text: str
    dimensions: frozenset[str]
    says: frozenset[str]  # keys of SIDES
    numbers: tuple[int, ...]
    words: tuple[str, ...]
    unit: str | None
    unit_text: str = ""


def read_name(text: str, unit_cell: str = "") -> Name:
    """Read a column's name, and the cell of a line of units below it."""
    unit, unit_text, rest = _split_unit(text)
    if unit is None and unit_cell.strip().casefold() in _UNITS:
        unit, unit_text = _UNITS[unit_cell.strip().casefold()], unit_cell.strip()
    words = plain_words(rest)
    dimensions = {d for d, known in DIMENSIONS.items() if any(w in known for w in words)}
    says = {s for s, known in SIDES.items() if any(w in known for w in words)}
    for word in words:
        compact = _COMPACT.match(word)
        if compact is not None:
            dimensions.add(_SYMBOLS[compact["symbol"]])
            says.add(_COMPACT_SIDE.get(compact["side"], compact["side"]))
    if words and words[0] in _SYMBOLS and not dimensions:
        dimensions.add(_SYMBOLS[words[0]])
    numbers = tuple(int(n) for n in re.findall(r"\d+", rest))
    return Name(text, frozenset(dimensions), frozenset(says), numbers, tuple(words), unit, unit_text)


_COMPOUND_ENDS = (
    "spannung", "strom", "leistung", "temperatur", "energie", "zaehlerstand", "zaehler", "einstrahlung", "strahlung",
    "ertrag", "bezug", "einspeisung", "verbrauch",
)  # fmt: skip
_PHRASES = {
    "state of charge": "soc", "etat de charge": "soc", "estado de carga": "soc", "feed in": "feedin",
    "from grid": "import", "to grid": "export", "hot water": "warmwasser", "self consumption": "selfconsumption",
}  # fmt: skip


def plain_words(text: str) -> list[str]:
    """Lower-case words without accents, digits and marks; `acPower` is two, some phrases are one."""
    text = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])", " ", text)
    text = text.casefold().replace("ä", "ae").replace("ö", "oe").replace("ü", "ue")
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    joined = " ".join(re.findall(r"[a-z]+", bare))
    for phrase, word in _PHRASES.items():
        joined = re.sub(rf"\b{phrase}\b", word, joined)
    return [part for word in joined.split() for part in _parts_of(word)]


def _parts_of(word: str) -> list[str]:
    """The parts of a German compound that matter: `netzspannung` is of the grid, and a voltage."""
    end = next((end for end in _COMPOUND_ENDS if word.endswith(end) and len(word) > len(end)), None)
    if end is None:
        return [word]
    begin = word.removesuffix(end).removesuffix("s")
    return [end] if begin == "strom" else [begin, end]


def _split_unit(text: str) -> tuple[str | None, str, str]:
    """The unit (ours), as it is written, and the name without it."""
    inside = _IN_BRACKETS.search(text)
    if inside is not None:
        rest = text[: inside.start()] + " " + text[inside.end() :]
        return _UNITS[inside["unit"].casefold()], inside["unit"], rest
    at_end = _AT_END.match(text)
    if at_end is None or not at_end["before"].strip(" _.-/:,"):
        return None, "", text
    before = at_end["before"].rstrip(" _-./:,")
    is_letter = len(at_end["unit"]) == 1 and at_end["unit"].isalpha()
    if is_letter and not before[-1].isdigit() and _LABELLED.intersection(plain_words(before)[-1:]):
        return None, "", text  # "Phase A" and "String C" name a part
    return _UNITS[at_end["unit"].casefold()], at_end["unit"], at_end["before"]
