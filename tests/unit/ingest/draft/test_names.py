"""What the words of a column's name are taken for, and what they are not."""

from __future__ import annotations

import pytest

from ingest.draft.words import plain_words, read_name


@pytest.mark.parametrize(
    ("text", "dimension", "says", "unit"),
    [
        ("AC power kW", "power", "ac", "kW"),
        ("Netzspannung (V)", "voltage", "ac", "V"),
        ("Ertrag gesamt [kWh]", "energy", "total", "kWh"),
        ("Énergie totale kWh", "energy", None, "kWh"),
        ("Puissance CC string 1 (W)", "power", "dc", "W"),
        ("Tensión red V", "voltage", "ac", "V"),
        ("Leistung_Strang_2_W", "power", "dc", "W"),
        ("Ppv1 (W)", "power", "dc", "W"),
        ("Vac", "voltage", "ac", None),
        ("T_mod", "temperature", "module", None),
        ("Außentemperatur °C", "temperature", "air", "degC"),
        ("Netzbezug kWh", None, "import", "kWh"),
        ("Feed-in energy Wh", "energy", "export", "Wh"),
        ("G_poa W/m2", "irradiance", "poa", "W/m2"),
        ("batteryStateOfCharge %", None, "battery", "%"),
        ("Mains frequency Hz", "frequency", "ac", "Hz"),
    ],
)
def test_a_name_is_read(text: str, dimension: str | None, says: str | None, unit: str | None) -> None:
    name = read_name(text)
    assert name.unit == unit
    assert dimension is None or dimension in name.dimensions
    assert says is None or says in name.says


def test_a_letter_behind_a_part_is_no_unit() -> None:
    assert read_name("Phase A").unit is None
    assert read_name("String C").unit is None
    assert read_name("String 1 A").unit == "A"


def test_a_unit_that_is_none_of_ours_is_told_from_none() -> None:
    assert read_name("Total energy MWh").unit == ""
    assert read_name("String 1 current (mA)").unit == ""
    assert read_name("Total energy").unit is None


def test_a_line_of_units_serves_where_the_name_has_none() -> None:
    assert read_name("String 1 voltage", "V").unit == "V"
    assert read_name("String 1 voltage V", "kV").unit == "V"


def test_numbers_are_those_of_the_part_and_not_of_the_unit() -> None:
    assert read_name("Irradiance 2 W/m2").numbers == (2,)
    assert read_name("dc1_voltage_v").numbers == (1,)


def test_words_are_without_accents_and_phrases_are_one() -> None:
    assert plain_words("État de charge batterie") == ["soc", "batterie"]
    assert plain_words("acPower") == ["ac", "power"]
    assert plain_words("Zähler") == ["zaehler"]
    assert plain_words("Tagesertrag") == ["tage", "ertrag"]
