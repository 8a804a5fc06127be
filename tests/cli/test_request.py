"""`dustcake request`: what is typed is the request that is meant, of every kind."""

import argparse
import json
from typing import Any

import pytest

from dustcake.cli import request
from dustcake.core.requests.definitions import REQUESTS
from dustcake.core.requests.kinds import (
    Acknowledge,
    AlarmAction,
    ChangeSetPoints,
    ConfirmChange,
    Entry,
    HandleAlarm,
    Mode,
    PulseValve,
    RecordEntry,
    RecordFilterChange,
    Request,
    RunBlower,
    SelectMode,
    SetZero,
)
from dustcake.publish.request_json import ParsedRequest, request_in

TYPED: list[tuple[str, Request]] = [
    ("mode timed", SelectMode(Mode.TIMED)),
    ("zero", SetZero()),
    ("zero --blower-off-confirmed", SetZero(True)),
    ("acknowledge high_dp", Acknowledge("high_dp")),
    ("reset smoke", HandleAlarm(AlarmAction.RESET, "smoke")),
    ("shelve smoke --for 2h --why x", HandleAlarm(AlarmAction.SHELVE, "smoke", "x", 7200.0)),
    ("unshelve smoke --why y", HandleAlarm(AlarmAction.UNSHELVE, "smoke", "y")),
    ("out_of_service smoke --why z", HandleAlarm(AlarmAction.OUT_OF_SERVICE, "smoke", "z")),
    ("in_service smoke", HandleAlarm(AlarmAction.IN_SERVICE, "smoke")),
    ("blower on", RunBlower(True)),
    ("blower off", RunBlower(False)),
    ("pulse 3", PulseValve(3)),
    ("filter_change", RecordFilterChange()),
    ("filter_change --valves 1 3 --note spare", RecordFilterChange("spare", (1, 3))),
    ("record note --note x", RecordEntry(Entry.NOTE, "x")),
    ("record upkeep_done --upkeep snubber", RecordEntry(Entry.UPKEEP_DONE, "", "snubber")),
    ("set_points --low 700Pa --on-time 0.15", ChangeSetPoints(low_pa=700.0, on_time_s=0.15)),
    ("set_points --high 10mbar --interval 20", ChangeSetPoints(high_pa=1000.0, interval_s=20.0)),
    ("confirm 79", ConfirmChange(79)),
]


@pytest.mark.parametrize(("typed", "meant"), TYPED)
def test_what_is_typed_is_what_is_requested(
    typed: str, meant: Request, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[dict[str, Any]] = []

    def answer(_settings: object, fields: dict[str, Any]) -> dict[str, Any]:
        sent.append(fields)
        return {"accepted": True, "reason": "done"}

    monkeypatch.setattr(request, "settings_in", lambda _path: None)
    monkeypatch.setattr(request, "ask_daemon", answer)
    parser = argparse.ArgumentParser()
    request.configure(parser)
    assert request.run(parser.parse_args(typed.split())) == 0
    (fields,) = sent
    read = request_in(json.loads(json.dumps(fields)))
    assert isinstance(read, ParsedRequest), read
    assert read.request == meant


def test_every_kind_is_typed_above() -> None:
    assert {typed.split()[0] for typed, _ in TYPED} == set(REQUESTS)
