"""The JSON API over the invented fleet."""

from __future__ import annotations

import csv
import io
from typing import Any

import msgspec
import pytest

from dashboards.addresses import segment
from dashboards.app import build
from dashboards.downloads import csv_of
from dashboards.settings import BoardSettings
from models.records import Run
from tests.unit.dashboards.asking import Asking
from tests.unit.dashboards.invented import HOSTILE, NOW, NOW_MS, InventedSources
from tests.unit.dashboards.test_plausible import spoilt


@pytest.fixture
def sources() -> InventedSources:
    return InventedSources()


@pytest.fixture
def board(sources: InventedSources) -> Asking:
    return Asking(build(sources, BoardSettings(), lambda: NOW))


def test_fleet(board: Asking) -> None:
    data = board.get("/api/fleet").json()
    assert data["summary"].startswith("4 trucks need a person")
    assert [unit["unit"] for unit in data["units"][:2]] == ["rm-03", "rm-08"]
    assert data["units"][0]["status"]["water_g"] == 47.0
    assert data["units"][0]["alarms"][0]["state"] == "unacknowledged"


def test_unknown_numbers_are_null(board: Asking, sources: InventedSources) -> None:
    sources.standing["rm-01"] = msgspec.structs.replace(sources.standing["rm-01"], hours=float("nan"))
    assert board.get("/api/units/rm-01").json()["status"]["hours"] is None


def test_unit_with_a_hostile_name(board: Asking) -> None:
    data = board.get(f"/api/units/{segment(HOSTILE)}").json()
    assert (data["unit"], data["status"]) == (HOSTILE, None)


@pytest.mark.parametrize("path", ["", "/runs", "/findings", "/findings/versions", "/trace", "/maintenance"])
def test_unknown_unit(board: Asking, path: str) -> None:
    answer = board.get(f"/api/units/no-such{path}")
    assert (answer.status_code, answer.json()["detail"]) == (404, "no unit is called 'no-such'")


def test_runs_of_a_span(board: Asking) -> None:
    day = 86_400_000
    runs = board.get("/api/units/rm-03/runs", params={"start_ms": NOW_MS - 3 * day, "end_ms": NOW_MS}).json()
    assert [run["start_at"] for run in runs] == ["2026-02-09T14:00:00Z", "2026-02-10T14:00:00Z"]


def test_findings(board: Asking) -> None:
    found = board.get("/api/units/rm-03/findings").json()
    assert [one["pattern"] for one in found] == ["short_cycling"]
    assert found[0]["evidence"][1]["value"] == 47.0


def test_finding_versions_tell_what_was_said_when(board: Asking) -> None:
    then, now = board.get("/api/units/rm-03/findings/versions").json()
    assert (then["cause"], now["cause"]) == ("first", "late_data")
    assert then["said_at"] < now["said_at"]
    assert then["finding"]["start_at"] != now["finding"]["start_at"]
    assert then["mailed_at"] == then["said_at"]
    (alarm,) = [one for one in board.get("/api/alarms").json() if one["unit_id"] == "rm-03"]
    assert alarm["said"] == [then, now]


def test_a_unit_tells_how_far_it_has_been_analysed(board: Asking, sources: InventedSources) -> None:
    data = board.get("/api/units/rm-03").json()
    assert data["watermark"]["analysed_until"] == data["status"]["observed_at"]
    assert data["watermark"]["behind_s"] == 0.0
    assert board.get(f"/api/units/{segment(HOSTILE)}").json()["watermark"] is None


def test_trace_is_thinned(board: Asking) -> None:
    span = {"start_ms": NOW_MS - 7 * 86_400_000, "end_ms": NOW_MS, "points": 500}
    data: dict[str, Any] = board.get("/api/units/rm-03/trace", params=span).json()
    assert data["n_readings"] == 7 * 8640
    assert 400 <= len(data["discharge_c"]["at_ms"]) <= 510
    assert len(data["discharge_c"]["values"]) == len(data["discharge_c"]["at_ms"])


def test_trace_leaves_out_and_counts_what_is_not_plausible(
    board: Asking, sources: InventedSources, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sources, "trace", lambda *_: spoilt({"discharge_temp_c": {9: 9999.0}}))
    data = board.get("/api/units/rm-03/trace").json()
    assert max(value for value in data["discharge_c"]["values"] if value is not None) < 90.0
    assert data["left_out"] == {"discharge_temp_c": 1, "pressure_kpa": 0, "wrong_clock": 0}


def test_span_the_wrong_way_round(board: Asking) -> None:
    answer = board.get("/api/units/rm-03/trace", params={"start_ms": 2, "end_ms": 1})
    assert answer.status_code == 422


def test_acknowledge_and_back(board: Asking) -> None:
    at = "/api/alarms/short_cycling-03"
    changed = board.post(f"{at}/acknowledge", json={"by": " Yard\ndesk "}).json()
    assert (changed["state"], changed["acknowledged_by"]) == ("acknowledged", "Yard desk")
    assert board.get("/api/fleet").json()["summary"].count("1 alarm nobody has acknowledged") == 1
    assert board.post(f"{at}/unacknowledge", json={"by": "Yard desk"}).json()["state"] == "unacknowledged"


def test_acknowledge_needs_a_name_and_an_alarm(board: Asking) -> None:
    assert board.post("/api/alarms/short_cycling-03/acknowledge", json={"by": " "}).status_code == 422
    assert board.post("/api/alarms/none/acknowledge", json={"by": "Yard desk"}).status_code == 404


def test_acknowledge_that_the_desk_refuses(
    board: Asking, sources: InventedSources, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(alarm_id: str, by: str) -> None:
        raise ValueError(f"alarm {alarm_id!r} is 'shelved'")

    monkeypatch.setattr(sources, "acknowledge", refuse)
    answer = board.post("/api/alarms/short_cycling-03/acknowledge", json={"by": "Yard desk"})
    assert (answer.status_code, answer.json()["detail"]) == (409, "alarm 'short_cycling-03' is 'shelved'")


def test_work_is_recorded_and_taken_back(board: Asking) -> None:
    at = "/api/units/rm-03/maintenance"
    assert board.get(at).json() == []
    done = {"work": "drain", "by": " Yard\ndesk ", "done_at": "2026-02-11T08:00:00-06:00"}
    made = board.post(at, json=done).json()
    assert (made["work"], made["done_at"], made["recorded_by"]) == (
        "drain",
        "2026-02-11T14:00:00Z",
        "Yard desk",
    )
    now = board.post(at, json={"work": "oil_change", "by": "Yard desk"}).json()
    assert now["done_at"] == NOW.isoformat().replace("+00:00", "Z")
    listed = board.post(f"{at}/{made['number']}/undo", json={"by": "Bay 2"}).json()
    assert [(one["work"], one["taken_back_by"]) for one in listed] == [("drain", "Bay 2"), ("oil_change", "")]
    assert board.get(at).json() == listed
    again = board.post(f"{at}/{made['number']}/undo", json={"by": "Bay 2"})
    assert (again.status_code, again.json()["detail"]) == (404, "unit 'rm-03' has no record 1 that counts")


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ({"work": "wash", "by": "Bay 2"}, "'drain' or 'oil_change'"),
        ({"work": "drain", "by": " "}, "a name is needed"),
        ({"work": "drain"}, "required"),
        ({"work": "drain", "by": "Bay 2", "done_at": "2026-02-11T16:00:00Z"}, "until now"),
        ({"work": "drain", "by": "Bay 2", "done_at": "1999-12-31T23:59:59Z"}, "from 2000"),
        ({"work": "drain", "by": "Bay 2", "done_at": "2026-02-11T08:00:00"}, "timezone"),
        ({"work": "drain", "by": "Bay 2", "done_at": "yesterday"}, "valid datetime"),
    ],
)
def test_work_that_cannot_be_recorded_says_why(
    board: Asking, sources: InventedSources, body: dict[str, str], said: str
) -> None:
    answer = board.post("/api/units/rm-03/maintenance", json=body)
    assert answer.status_code == 422
    assert said in answer.text
    assert sources.worked == {}


def test_work_of_a_unit_nobody_knows(board: Asking, sources: InventedSources) -> None:
    answer = board.post("/api/units/no-such/maintenance", json={"work": "drain", "by": "Bay 2"})
    assert (answer.status_code, sources.worked) == (404, {})


def test_probes(board: Asking, sources: InventedSources, monkeypatch: pytest.MonkeyPatch) -> None:
    assert board.get("/healthz").text == "ok\n"
    assert board.get("/readyz").json() == {"ready": True}

    def broken() -> None:
        raise OSError("disk gone")

    monkeypatch.setattr(sources, "check", broken)
    assert board.get("/readyz").status_code == 503


def test_openapi_describes_every_route_and_no_page_pulls_foreign_assets(board: Asking) -> None:
    paths = board.get("/api/openapi.json").json()["paths"]
    assert {"/api/fleet", "/api/units/{unit}/trace", "/api/alarms/{alarm_id}/acknowledge"} <= paths.keys()
    assert all(operation.get("summary") for methods in paths.values() for operation in methods.values())


def test_mail_download_is_never_shown_in_place(board: Asking) -> None:
    answer = board.get(f"/mail/{segment('<m1@board.example>')}.eml")
    assert answer.headers["content-disposition"].startswith("attachment")
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert board.get("/mail/none.eml").status_code == 404


def test_runs_as_csv(board: Asking, sources: InventedSources) -> None:
    """RFC 4180: comma-separated, CRLF; every field of the record is a column."""
    day = 86_400_000
    answer = board.get(f"/runs/rm-03.csv?start_ms={NOW_MS - 3 * day}&end_ms={NOW_MS}")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert answer.headers["content-disposition"].startswith("attachment")
    lines = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    runs = sources.runs("rm-03", NOW_MS - 3 * day, NOW_MS)
    assert [line["start_at"] for line in lines] == ["2026-02-09T14:00:00.000Z", "2026-02-10T14:00:00.000Z"]
    for line, run in zip(lines, runs, strict=True):
        assert set(line) == set(Run.__struct_fields__)
        assert float(line["peak_temp_c"]) == pytest.approx(run.peak_temp_c)
        assert float(line["dew_margin_k"]) == pytest.approx(run.dew_margin_k)
        assert float(line["confidence"]) == pytest.approx(run.confidence)
        assert line["outcome"] == run.outcome.value
        assert line["inferred"] == "false"


def test_a_hostile_name_in_csv_is_no_formula(sources: InventedSources) -> None:
    (run, *_) = sources.runs("rm-03", 0, NOW_MS)
    hostile = msgspec.structs.replace(run, unit_id="=1+1", time_to_hot_min=None)
    (line,) = csv.DictReader(io.StringIO(csv_of([hostile]), newline=""))
    assert (line["unit_id"], line["time_to_hot_min"]) == ("'=1+1", "")
