"""The register of units, and fleets read from CSV files."""

from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from ingest import database
from ingest.profile import UnitProfile
from ingest.register import FleetFileError, Register, read_fleet_csv


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[sa.Engine]:
    engine = database.open_database(f"sqlite:///{tmp_path / 'operations.db'}")
    yield engine
    engine.dispose()


def test_put_get_all_remove(engine: sa.Engine) -> None:
    register = Register(engine)
    profile = UnitProfile(unit_id="truck 7/ü'", rated_cfm=95.5, cold_weather_kit=True, tz="America/Chicago")
    register.put(profile, 1)
    register.put(UnitProfile(unit_id="A"), 2)
    assert register.get("truck 7/ü'") == profile
    assert [p.unit_id for p in register.all()] == ["A", "truck 7/ü'"]
    assert register.remove("A")
    assert not register.remove("A")
    assert register.get("A") is None


def test_put_replaces_and_keeps_the_first_registration(engine: sa.Engine) -> None:
    register = Register(engine)
    register.put(UnitProfile(unit_id="A", yard="north"), 10)
    register.put(UnitProfile(unit_id="A", yard="south"), 20)
    with engine.connect() as connection:
        assert connection.scalars(sa.select(database.units.c.registered_at_ms)).all() == [10]
    assert register.all() == [UnitProfile(unit_id="A", yard="south")]


def test_ensure_registers_once_as_provisional(engine: sa.Engine) -> None:
    register = Register(engine)
    assert register.ensure("new", 1) == UnitProfile(unit_id="new", provisional=True)
    known = UnitProfile(unit_id="known", altitude_m=1500.0)
    register.put(known, 1)
    assert register.ensure("known", 2) == known
    assert [p.provisional for p in register.all()] == [False, True]


def fleet(tmp_path: Path, text: str, encoding: str = "utf-8") -> Path:
    path = tmp_path / "fleet.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_read_fleet_csv_reads_every_column(tmp_path: Path) -> None:
    path = fleet(
        tmp_path,
        "unit,label,yard,customer,rated_cfm,hydraulic_gpm,max_pressure_kpa,min_pressure_valve_kpa,"
        "oil_charge_kg,altitude_m,cold_weather_kit,exercise_interval_days,tz\n"
        'A7,"Crane, blue",North,Own,100,20,860,400,9.5,-12,yes,14,Europe/Oslo\n',
    )
    assert read_fleet_csv(path) == [
        UnitProfile(
            unit_id="A7",
            label="Crane, blue",
            yard="North",
            customer="Own",
            rated_cfm=100.0,
            hydraulic_gpm=20.0,
            max_pressure_kpa=860.0,
            min_pressure_valve_kpa=400.0,
            oil_charge_kg=9.5,
            altitude_m=-12.0,
            cold_weather_kit=True,
            exercise_interval_days=14.0,
            tz="Europe/Oslo",
        )
    ]


def test_read_fleet_csv_gives_defaults_for_missing_columns_and_empty_cells(tmp_path: Path) -> None:
    path = fleet(tmp_path, "unit,rated_cfm,tz\nA,,\nB,60,\n")
    assert read_fleet_csv(path) == [UnitProfile(unit_id="A"), UnitProfile(unit_id="B", rated_cfm=60.0)]


def test_read_fleet_csv_leaves_fields_whose_columns_are_missing(tmp_path: Path) -> None:
    known = UnitProfile(
        unit_id="A", label="Old", yard="North", rated_cfm=90.0, tz="America/Chicago", provisional=True
    )
    path = fleet(tmp_path, "unit,rated_cfm,yard\nA,60,\nB,70,South\n")
    assert read_fleet_csv(path, {"A": known}) == [
        UnitProfile(unit_id="A", label="Old", rated_cfm=60.0, tz="America/Chicago"),
        UnitProfile(unit_id="B", yard="South", rated_cfm=70.0),
    ]


def test_read_fleet_csv_judges_pressures_together_with_what_is_known(tmp_path: Path) -> None:
    known = {"A": UnitProfile(unit_id="A", min_pressure_valve_kpa=600.0)}
    path = fleet(tmp_path, "unit,max_pressure_kpa\nA,500\n")
    with pytest.raises(FleetFileError, match="minimum pressure valve is at 600 kPa"):
        read_fleet_csv(path, known)
    assert read_fleet_csv(path)[0].max_pressure_kpa == 500.0


def test_read_fleet_csv_tolerates_spreadsheet_habits(tmp_path: Path) -> None:
    text = '\ufeff"unit", cold_weather_kit , "label"\r\n A , TRUE ,"two\r\nlines"\r\n\r\n, ,\r\nB,0,\r\n'
    with pytest.raises(
        FleetFileError, match=r"line 3: label is 'two\\r\\nlines', expected up to 200 printable"
    ):
        read_fleet_csv(fleet(tmp_path, text))
    profiles = read_fleet_csv(fleet(tmp_path, text.replace("two\r\nlines", "Größe")))
    assert [(p.unit_id, p.cold_weather_kit, p.label) for p in profiles] == [
        ("A", True, "Größe"),
        ("B", False, ""),
    ]


# 150 psi and 5000 ft by the exact definitions of NIST SP 811 (2008), appendix B.8: 6.894757 kPa, 0.3048 m.
def test_read_fleet_csv_converts_psi_and_feet(tmp_path: Path) -> None:
    (profile,) = read_fleet_csv(fleet(tmp_path, "unit,max_pressure_psi,altitude_ft\nA,150,5000\n"))
    assert profile.max_pressure_kpa == pytest.approx(150 * 6.894757, rel=1e-6)
    assert profile.altitude_m == pytest.approx(1524.0)


def test_read_fleet_csv_tells_every_fault_at_once(tmp_path: Path) -> None:
    path = fleet(
        tmp_path,
        "unit,rated_cfm,max_pressure_kpa,tz,cold_weather_kit\n"
        "A,8O,1034,Mars/Olympus,perhaps\nB,80,150,UTC,no\nA,,,,\n,80,,,\nC,nan\nB,,,,\nD/x,,,,\nD,nan,,,\n",
    )
    with pytest.raises(FleetFileError, match="line 2") as caught:
        read_fleet_csv(path)
    assert caught.value.faults == [
        "line 2: rated_cfm is '8O', expected a number from 10 to 500 CFM",
        "line 2: tz is 'Mars/Olympus', expected an IANA time zone such as America/Chicago",
        "line 2: cold_weather_kit is 'perhaps', expected yes or no (or true, false, 1, 0)",
        "line 3: max_pressure_kpa is '150', expected a number from 300 to 3500 kPa gauge",
        "line 5: unit is empty, expected its name",
        "line 6: 2 cells, expected 5 as in line 1",
        "line 8: unit is 'D/x', expected up to 128 printable characters without / + #",
        "line 9: rated_cfm is 'nan', expected a number from 10 to 500 CFM",
    ]


def test_read_fleet_csv_refuses_a_unit_named_twice(tmp_path: Path) -> None:
    with pytest.raises(FleetFileError, match="line 4: unit 'A' is already on line 2"):
        read_fleet_csv(fleet(tmp_path, "unit,yard\nA,north\nB,north\nA,south\n"))


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("", "line 1: empty"),
        ("unit\n", "no units"),
        ("rated_cfm\n80\n", "no column 'unit'"),
        ("unit,colour,gpm\nA,red,18\n", "unknown column 'colour'.*unknown column 'gpm'"),
        ("unit,unit\nA,A\n", "column 'unit' is there twice"),
        ("unit,max_pressure_kpa,max_pressure_psi\nA,1034,150\n", "'max_pressure_kpa' and 'max_pressure_psi'"),
        ('unit\n"A\n', "not a readable UTF-8 CSV file"),
        ("unit,rated_cfm\nA,8_0\n", "rated_cfm is '8_0', expected a number"),
        ("unit,max_pressure_kpa,min_pressure_valve_kpa\nA,700,700\n", "at 700 kPa gauge, expected less than"),
        ("unit,tz\nA,../UTC\n", "expected an IANA time zone"),
        ("unit,tz\nA,Europe\n", "expected an IANA time zone"),
    ],
)
def test_read_fleet_csv_refuses(tmp_path: Path, text: str, fault: str) -> None:
    with pytest.raises(FleetFileError, match=fault):
        read_fleet_csv(fleet(tmp_path, text))


def test_read_fleet_csv_refuses_what_is_not_utf_8_or_not_there(tmp_path: Path) -> None:
    with pytest.raises(FleetFileError, match="not a readable UTF-8 CSV file"):
        read_fleet_csv(fleet(tmp_path, "unit\nGröße\n", encoding="latin-1"))
    with pytest.raises(FleetFileError, match=r"no such file: .*missing\.csv"):
        read_fleet_csv(tmp_path / "missing.csv")


@pytest.mark.parametrize(("separator", "name"), [(";", "semicolons"), ("\t", "tabs")])
def test_read_fleet_csv_says_what_separates_columns(tmp_path: Path, separator: str, name: str) -> None:
    path = fleet(tmp_path, f"unit{separator}yard\nA{separator}North\n")
    with pytest.raises(FleetFileError, match=f"separated by commas, these are separated by {name}"):
        read_fleet_csv(path)
