"""What the documents say can be followed: links lead somewhere, recipes and commands exist."""

from __future__ import annotations

import re
import tomllib
from contextlib import closing
from pathlib import Path

import pytest
import typer

from dewline import reference
from dewline.cli import app
from dewline.settings import load
from ingest.csv_layout import TIME_NAMES, UNIT_NAMES
from ingest.database import open_database
from ingest.fleet_file import COLUMNS, read_fleet_csv
from ingest.logfiles import import_paths
from ingest.quarantine import Quarantine
from ingest.store import EmbeddedStore
from ingest.units_of_measure import WIRE_NAMES

ROOT = Path(__file__).parents[2]
DOCUMENTS = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").glob("**/*.md")])
LINK = re.compile(r"\]\(([^)#\s]+)[^)]*\)")
MAKE = re.compile(r"\bmake ([a-z]+)\b(?=`| )")


def blocks(path: Path, language: str) -> list[str]:
    text = path.read_text(encoding="utf-8")
    return re.findall(rf"```{language}\n(.*?)```", text, flags=re.DOTALL)


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_links_lead_to_files(path: Path) -> None:
    targets = [target for target in LINK.findall(path.read_text(encoding="utf-8")) if "://" not in target]
    assert not [target for target in targets if not (path.parent / target).exists()]


def test_fleet_file_page_names_every_column_and_its_example_is_accepted(tmp_path: Path) -> None:
    page = ROOT / "docs" / "fleet-file.md"
    (example,) = blocks(page, "csv")
    listed = set(re.findall(r"^\| (`.*?) \|", page.read_text(encoding="utf-8"), flags=re.MULTILINE))
    assert set(re.findall(r"`(\w+)`", " ".join(listed))) == set(COLUMNS)
    (tmp_path / "fleet.csv").write_text(example, encoding="utf-8")
    assert [profile.unit_id for profile in read_fleet_csv(tmp_path / "fleet.csv")] == ["truck-07", "truck-08"]


def test_log_files_page_names_every_column_and_its_examples_are_imported(tmp_path: Path) -> None:
    page = ROOT / "docs" / "log-files.md"
    listed = " ".join(re.findall(r"^\| (`.*?) \|", page.read_text(encoding="utf-8"), flags=re.MULTILINE))
    columns = {*WIRE_NAMES, *TIME_NAMES, *UNIT_NAMES, "seq", "received"}
    assert set(re.findall(r"`(\w+)`", listed)) == columns
    for suffix in ("csv", "jsonl"):
        for number, example in enumerate(blocks(page, suffix)):
            (tmp_path / f"{number}.{suffix}").write_text(example, encoding="utf-8")
    database = open_database("sqlite://")
    with closing(EmbeddedStore(tmp_path / "readings.db")) as store:
        report = import_paths([tmp_path], store, Quarantine(database), received_at_ms=1_770_000_000_000)
    database.dispose()
    assert report.rows_quarantined == report.rows_repeated == 0
    assert report.units == {"truck-07": 6, "truck-08": 2}
    assert report.rows_assumed_utc == 1


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_make_targets_exist(path: Path) -> None:
    recipes = set(
        re.findall(r"^([a-z]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), flags=re.MULTILINE)
    )
    code = re.findall(r"`(make [a-z]+)`", path.read_text(encoding="utf-8"))
    assert {one.removeprefix("make ") for one in code} <= recipes


def test_commands_in_the_readme_exist() -> None:
    known = dict(reference.commands(typer.main.get_command(app), "dewline"))
    lines = [line for block in blocks(ROOT / "README.md", "sh") for line in block.splitlines()]
    used = re.findall(r"dewline((?: [a-z]+(?:-[a-z]+)?)+)", "\n".join(lines))
    assert used
    for words in used:
        assert any(f"dewline{words}".startswith(name) for name in known if name != "dewline"), words


def test_settings_in_the_readme_can_be_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("DEWLINE_MAIL_SMTP_HOST", "DEWLINE_MAIL_RECIPIENTS"):
        monkeypatch.delenv(name, raising=False)
    examples = blocks(ROOT / "README.md", "toml")
    assert examples
    for example in examples:
        tomllib.loads(example)
        (tmp_path / "dewline.toml").write_text(example, encoding="utf-8")
        assert load(tmp_path).settings.mail.smtp_host == "mail.example.com"


@pytest.mark.parametrize(
    "caution",
    ["second,\n  independent gauge", "Lock out", "manual", "qualified technician", "relieve all pressure"],
)
def test_readme_shows_the_cautions(caution: str) -> None:
    assert caution in (ROOT / "README.md").read_text(encoding="utf-8")


def test_lock_names_no_place() -> None:
    """Packages come from wherever the machine gets its packages."""
    lines = (ROOT / "requirements.lock").read_text(encoding="utf-8").splitlines()
    assert not [line for line in lines if line.startswith("-") or "://" in line or " @ " in line]
    pinned = [line for line in lines if "==" in line and not line.startswith((" ", "#"))]
    assert len(pinned) > 50
    assert sum("--hash=sha256:" in line for line in lines) >= len(pinned)
