"""`dustcake history --air` and `--life`, out of a journal that lies still."""

import json
from collections.abc import Sequence
from pathlib import Path

import pytest

from dustcake.__main__ import main
from dustcake.adapters.store import SqliteStore
from dustcake.core.events import AirUsed, Body, Event, FilterLifeChanged, Stopped
from dustcake.core.inputs import Stamp
from dustcake.core.state import first_state
from dustcake.ports import Commit
from ports.store.driven import COLLECTOR, SETPOINTS
from settings.files import BUS, collector_text

NOON_S = 1_800_014_400.0  # 2027-01-15T12:00:00Z
DAY_S = 86_400.0


async def journal(path: Path, bodies: Sequence[Body], utc_s: float | None = NOON_S) -> None:
    """A journal of these events, an hour apart."""
    events = []
    for n, body in enumerate(bodies):
        at_s = 3600.0 * n
        events.append(Event(n + 1, Stamp(at_s, None if utc_s is None else utc_s + at_s), body))
    async with SqliteStore.open(path) as store:
        state = first_state(SETPOINTS, Stamp(0.0, utc_s))
        assert await store.commit(Commit(COLLECTOR, [], state, events, [])) is None


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "settings.toml"
    air = 'display_unit = "Pa"\nair.price_per_kwh = 0.5\nair.currency = "EUR"'
    text = BUS + collector_text(air, name=COLLECTOR)
    path.write_text(text + f'[journal]\npath = "{tmp_path}/journal.db"\n')
    return path


def listed(capsys: pytest.CaptureFixture[str], file: Path, *options: str) -> list[str]:
    capsys.readouterr()
    assert main(["history", "--settings", str(file), *options]) == 0
    return capsys.readouterr().out.splitlines()


USED: list[Body] = [
    AirUsed(NOON_S, 1.0, 1.2, 20, 5, 3600.0),
    Stopped(),
    AirUsed(NOON_S + 3600.0, 2.0, 2.4, 50, 0, 7200.0),
    AirUsed(NOON_S + DAY_S, 4.0, 4.8, 0, 100, 0.0),
]


async def test_air_is_added_up_by_day(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    await journal(file.with_name("journal.db"), USED)
    first, second = (json.loads(line) for line in listed(capsys, file, "--air", "--json"))
    assert first == {
        "collector": COLLECTOR,
        "date": "2027-01-15",
        "free_air_m3": 3.0,
        "mass_kg": 3.6,
        "pulses_measured": 70,
        "pulses_rated": 5,
        "blower_h": 3.0,
        "free_air_m3_per_blower_h": 1.0,
        "energy_kwh": 0.318,
        "cost": 0.159,
        "currency": "EUR",
    }
    assert second["date"] == "2027-01-16"
    assert second["free_air_m3_per_blower_h"] is None


async def test_air_in_words(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    await journal(file.with_name("journal.db"), USED)
    assert listed(capsys, file, "--air") == [
        f"2027-01-15  {COLLECTOR}     3.000 m3 of free air (3.600 kg), 1 m3 a blower hour; "
        "0.318 kWh, 0.16 EUR; 70 pulses measured, 5 as rated",
        f"2027-01-16  {COLLECTOR}     4.000 m3 of free air (4.800 kg); 0.424 kWh, 0.21 EUR; "
        "0 pulses measured, 100 as rated",
    ]


async def test_air_of_an_unknown_day_is_not_given_one(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    await journal(file.with_name("journal.db"), [AirUsed(None, 1.0, 1.2, 1, 0, 60.0)], None)
    (line,) = listed(capsys, file, "--air")
    assert line.startswith("no date")


async def test_forecasts_alone(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    life = FilterLifeChanged("range", 812.0, 400.0, None, 0.8, 996.0, 0.25, 38)
    await journal(file.with_name("journal.db"), [*USED, life])
    (line,) = listed(capsys, file, "--life")
    assert "filter life" in line
    assert line.endswith("more than 400 blower hours remain (80 % confidence); residual dP 996 Pa")
    (told,) = (json.loads(one) for one in listed(capsys, file, "--life", "--json"))
    assert (told["event"], told["low_h"], told["high_h"]) == ("filter_life", 400.0, None)


async def test_one_at_a_time(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["history", "--settings", str(file), "--air", "--life"])
    assert ended.value.code == 2
    assert "not allowed with" in capsys.readouterr().err
