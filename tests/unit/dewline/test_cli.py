"""Commands as a person types them, up to their exit code."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from dewline import cli

LOG = """time,unit,discharge_temp_c,pressure_kpa,hours
2026-01-05T13:00:05Z,truck-a,20.5,0,100.0
2026-01-05T13:00:15Z,truck-a,21.5,700,100.0
nonsense,truck-a,1,2,3
"""


@pytest.fixture
def dewline(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    """Runs a command on a home of its own: exit code, standard output, standard error."""
    monkeypatch.setenv("DEWLINE_HOME", str(tmp_path / "home"))

    def run(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["dewline", *words])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        captured = capsys.readouterr()
        return int(ended.value.code or 0), captured.out, captured.err

    return run


def test_settings_as_json(dewline) -> None:
    code, out, _ = dewline("settings", "--json")
    assert code == 0
    rows = {row["key"]: row for row in json.loads(out)}
    assert rows["analysis.margin_k"] == {"key": "analysis.margin_k", "value": 10.0, "origin": "default"}


def test_settings_faults_are_lines_and_exit_code_2(dewline, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DEWLINE_BOARD_PORT", "x")
    monkeypatch.setenv("DEWLINE_BOARD_UNITS", "x")
    code, out, err = dewline("settings")
    assert (code, out) == (2, "")
    assert len(err.strip().splitlines()) == 2


def test_home_may_stand_before_and_after_the_command(dewline, tmp_path: Path) -> None:
    for words in (("--home", str(tmp_path / "x"), "settings"), ("settings", "--home", str(tmp_path / "x"))):
        assert f"home {tmp_path / 'x'}" in dewline(*words)[2]


def test_units_import_show_list_and_set(dewline, tmp_path: Path) -> None:
    fleet = tmp_path / "fleet.csv"
    fleet.write_text(
        "unit,rated_cfm,hydraulic_gpm,max_pressure_kpa,altitude_m,cold_weather_kit,tz\nA7,85,18,1034,12,yes,UTC\n"
    )
    assert dewline("units", "import", str(fleet))[0] == 0
    assert dewline("units", "set", "A7", "yard=North Yard")[0] == 0
    profile = json.loads(dewline("units", "show", "A7")[1])
    assert (profile["rated_cfm"], profile["yard"], profile["cold_weather_kit"]) == (85.0, "North Yard", True)
    assert "North Yard" in dewline("units", "list")[1]


def test_units_import_touches_only_the_columns_of_the_file(dewline, tmp_path: Path) -> None:
    fleet = tmp_path / "fleet.csv"
    fleet.write_text("unit,label,yard,rated_cfm\nA7,Seven,North,80\nA8,Eight,South,80\n")
    assert "2 new" in dewline("units", "import", str(fleet))[2]
    fleet.write_text("unit,rated_cfm\nA7,85\nA8,80\nA9,60\n")
    assert "1 new, 1 changed (rated_cfm), 1 unchanged" in dewline("units", "import", str(fleet))[2]
    profile = json.loads(dewline("units", "show", "A7")[1])
    assert (profile["label"], profile["yard"], profile["rated_cfm"]) == ("Seven", "North", 85.0)


def test_units_import_of_a_file_that_is_not_there_makes_no_home(dewline, tmp_path: Path) -> None:
    code, _, err = dewline("units", "import", str(tmp_path / "gone.csv"))
    assert (code, "no such file" in err) == (1, True)
    assert not (tmp_path / "home").exists()


def test_units_import_tells_every_fault(dewline, tmp_path: Path) -> None:
    fleet = tmp_path / "fleet.csv"
    fleet.write_text("unit,rated_cfm,tz\nA7,many,Mars/Base\nA8,80,UTC\n")
    code, _, err = dewline("units", "import", str(fleet))
    assert code == 1
    assert "many" in err
    assert "Mars/Base" in err
    assert dewline("units", "list")[1].count("A8") == 0


def test_units_show_unknown_names_those_there_are(dewline) -> None:
    dewline("units", "set", "A7", "rated_cfm=80")
    code, _, err = dewline("units", "show", "A9")
    assert code == 1
    assert "'A9'" in err
    assert "A7" in err


def test_import_twice_changes_nothing(dewline, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(LOG)
    code, _, err = dewline("import", str(log))
    assert code == 0
    assert f"new home {tmp_path / 'home'} created" in err
    assert "2 new rows of 1 unit in" in err
    assert "1 row can't be used" in err
    assert "log.csv:4: ts is 'nonsense', expected RFC 3339" in err
    again = dewline("import", str(log))[2]
    assert "0 new rows" in again
    assert "2 rows repeated or stored already" in again
    assert "created" not in again


def test_import_tells_of_a_row_that_contradicts_the_one_stored(dewline, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    for hours in (1, 2):
        log.write_text(f"time,unit,hours\n2026-01-05T13:00:05Z,A7,{hours}\n")
        _, _, err = dewline("import", str(log))
    assert "1 row repeated or stored already" in err
    assert "of these, 1 not as stored first for the same instant" in err


def test_import_of_nothing_usable_is_a_failure(dewline, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("time,unit,hours\nnonsense,truck-a,1\n")
    code, _, err = dewline("import", str(log))
    assert code == 1
    assert "log.csv:2: ts is 'nonsense'" in err
    assert "no row in" in err


def test_import_of_a_folder_names_what_is_no_log(dewline, tmp_path: Path) -> None:
    folder = tmp_path / "logs"
    folder.mkdir()
    (folder / "notes.txt").write_text("to do")
    code, _, err = dewline("import", str(folder))
    assert (code, f"no logs found in {folder}" in err) == (1, True)
    (folder / "log.csv").write_text(LOG)
    assert "1 file passed over, no log by name or content: notes.txt" in dewline("import", str(folder))[2]


def test_import_dry_run_stores_nothing(dewline, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(LOG)
    told = dewline("import", "--dry-run", str(log))[2]
    assert "would import 2" in told
    assert "log.csv:4: " in told
    assert not (tmp_path / "home").exists()
    assert "imported 2" in dewline("import", str(log))[2]


def test_quiet_says_nothing_but_trouble(dewline, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(LOG)
    assert dewline("--quiet", "import", str(log)) == (0, "", "")
    assert dewline("--quiet", "import", str(tmp_path / "gone.csv"))[0] == 1


def test_replay_writes_three_files(dewline, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(LOG + LOG.replace("truck-a", "truck-b").partition("\n")[2])
    dewline("import", str(log))
    out = tmp_path / "out"
    assert dewline("replay", "--all", "--out", str(out))[0] == 0
    assert sorted(path.name for path in out.iterdir()) == ["findings.json", "runs.json", "water.json"]
    assert all(isinstance(json.loads(path.read_text()), list) for path in out.iterdir())


def test_replay_of_a_part_without_readings_says_so(dewline, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(LOG)
    dewline("import", str(log))
    words = ("replay", "truck-a", "--out", str(tmp_path / "out"))
    code, _, err = dewline(*words, "--from", "2026-02-01", "--to", "2026-03-01")
    assert code == 0
    assert "no readings of truck-a between 2026-02-01T00:00:00Z and 2026-03-01T00:00:00Z" in err
    assert (
        "no readings of truck-a before 2026-01-05T13:00:05Z"
        in dewline(*words, "--to", "2026-01-05T13:00:05Z")[2]
    )
    err = dewline(*words, "--from", "2026-01-05T13:00:15Z", "--to", "2026-01-05T13:00:16Z")[2]
    assert "no readings" not in err
    assert "2/2" in err
    assert "1 unit, 0 findings" in err


@pytest.mark.parametrize("words", [["--out", "x"], ["--out", "x", "--all", "truck-a"], ["truck-a"]])
def test_replay_wrong_usage(dewline, words: list[str]) -> None:
    assert dewline("replay", *words)[0] == 2


def test_replay_of_nothing_says_what_to_do(dewline, tmp_path: Path) -> None:
    code, _, err = dewline("replay", "--all", "--out", str(tmp_path / "out"))
    assert code == 1
    assert "import" in err


def test_demo_leaves_a_home_alone_that_is_no_demo(dewline, tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    (home / "precious").write_text("data")
    assert dewline("demo", "--fresh")[0] == 1
    assert (home / "precious").exists()


def test_no_color_is_honoured(dewline, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("FORCE_COLOR", "1")
    assert "\x1b[" not in dewline("units", "show", "A9")[2].replace("\x1b[1m", "").replace("\x1b[0m", "")


def test_version(dewline) -> None:
    code, out, _ = dewline("version")
    assert code == 0
    assert out.strip()[0].isdigit()


def test_a_drain_is_recorded_listed_and_taken_back(dewline) -> None:
    assert dewline("maintenance", "add", "truck-a", "drain")[0] == 1
    assert dewline("units", "set", "truck-a", "label=Truck A")[0] == 0
    code, _, err = dewline("maintenance", "add", "truck-a", "drain", "--at", "2026-01-05T13:00:00Z")
    assert code == 0
    assert "number 1: drain of unit truck-a, 2026-01-05 13:00:00Z" in err
    assert "2026-01-05 13:00:00Z" in dewline("maintenance", "list", "truck-a")[1]
    assert dewline("maintenance", "undo", "1")[0] == 0
    code, _, err = dewline("maintenance", "undo", "1")
    assert (code, "taken back before" in err) == (1, True)
    code, _, err = dewline("maintenance", "add", "truck-a", "drain", "--at", "9999-01-01")
    assert (code, "until now" in err) == (1, True)
    assert dewline("maintenance", "add", "truck-a", "wash")[0] == 2
