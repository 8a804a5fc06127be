"""Many collectors in one study: on all cores and on a cluster the same, and none stops another."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from core.driver import board
from dustcake.__main__ import main
from dustcake_lab.fit.collector import fit_collector
from dustcake_lab.fit.trace import with_pulses_of_a_board
from dustcake_lab.study.fleet import FleetResult, Member, fleet, fleet_json, fleet_lines
from dustcake_lab.study.jobs import Plan
from dustcake_lab.traces.columns import Recorded
from fit.independent import Collector, Truth
from fit.local_cluster import local_cluster
from fit.test_study import TODAY, on_demand, timed
from traces.recorded import settings_text

TRIED = (on_demand(760, 900), on_demand(900, 1150), timed(900))
PLAN = Plan(days=2.0, draws=2)


@pytest.fixture(scope="module")
def directory(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two collectors unlike each other, and one that nothing can be said of."""
    made = tmp_path_factory.mktemp("fleet")
    for name, truth in (("light", Truth()), ("heavy", Truth(dust_kg_m3=3e-3, removed=0.5))):
        collector = Collector(truth, 7)
        collector.on_demand(1.5)
        (made / f"{name}.csv").write_text(collector.csv())
    (made / "thin.csv").write_text("time,dp_pa,pulses\n0,800,0\n1,801,1\n2,700,0\n")
    (made / "plant.toml").write_text(settings_text())
    return made


def members(directory: Path) -> list[Member | FleetResult]:
    setpoints = replace(TODAY, fitted=replace(TODAY.fitted, blower_running=False))
    return [
        Member(name, directory / f"{name}.csv", setpoints, 1.2, 0.04, 0.6)
        for name in ("light", "thin", "heavy")
    ]


def told(found: list[FleetResult]) -> list[object]:
    return [each.refused or (each.study and each.study.results) for each in found]


def test_all_are_studied_and_a_cluster_comes_to_the_same(directory: Path) -> None:
    here = fleet(members(directory), PLAN, TRIED)
    assert [each.name for each in here] == ["light", "thin", "heavy"]
    assert "too few" in here[1].refused
    light, heavy = here[0].study, here[2].study
    assert light is not None
    assert heavy is not None
    # Three times the dust, weaker pulses: each simulated as what it is.
    assert heavy.collector.load.value == pytest.approx(3 * light.collector.load.value, rel=0.05)
    assert heavy.results[0][0].pulses > 3 * light.results[0][0].pulses
    with local_cluster(2) as cluster:
        there = fleet(members(directory), replace(PLAN, dask=cluster.scheduler_address), TRIED)
    assert told(there) == told(here)
    lines = list(fleet_lines(here))
    assert lines[-2].startswith("thin ")
    assert "not studied" in lines[-2]
    assert "of 2 that were studied are worth changing" in lines[-1]
    assert "1 could not be studied." in lines[-1]
    assert "simulated" in lines[-1]
    for_programs = [json.loads(json.dumps(each)) for each in fleet_json(here)]
    assert [each["event"] for each in for_programs] == ["study", "refused", "study", "fleet"]
    assert for_programs[-1]["refused"] == 1


def test_the_command(
    directory: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    few = iter([*TRIED])
    monkeypatch.setattr("dustcake_lab.study.study.grid", lambda *_: few)
    fleet_list = directory / "fleet.csv"
    fleet_list.write_text(
        "trace,settings,flow_m3s\nlight.csv,plant.toml,1.2\nthin.csv,plant.toml,\n"
    )
    assert main(["study", "--fleet", str(fleet_list), "--days", "1", "--draws", "2", "--json"]) == 0
    events = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [each["event"] for each in events] == ["study", "refused", "fleet"]
    assert events[0]["collector"] == "welding-1"
    assert events[0]["candidates"] == 4


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("trace,flow\na.csv,1\n", "line 1: trace, flow: the columns are trace and settings"),
        ("", "line 1: nothing"),
        ("trace,settings\n", "no line after the header"),
        ("trace,settings,collector\na.csv,plant.toml,x\n", "line 2: collector: 'x': name one of"),
        ("trace,settings,air_l\na.csv,plant.toml,-1\n", "line 2: air_l: '-1': give litres"),
        ("trace,settings,flow_m3s\na.csv,plant.toml,4320\n", "flow_m3s: '4320': give the flow"),
    ],
)
def test_what_is_wrong_with_a_list(
    directory: Path, capsys: pytest.CaptureFixture[str], text: str, problem: str
) -> None:
    fleet_list = directory / "wrong.csv"
    fleet_list.write_text(text)
    assert main(["study", "--fleet", str(fleet_list)]) == 2
    assert problem in capsys.readouterr().err


def test_settings_that_are_not_there_refuse_their_own_line(
    directory: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    few = iter([*TRIED])
    monkeypatch.setattr("dustcake_lab.study.study.grid", lambda *_: few)
    fleet_list = directory / "one_missing.csv"
    lines = "trace,settings,flow_m3s\nthin.csv,none.toml,1.2\nlight.csv,plant.toml,1.2\n"
    fleet_list.write_text(lines + "thin.csv,plant.toml,1.2\n")
    assert main(["study", "--fleet", str(fleet_list), "--days", "1", "--draws", "2"]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[0].startswith("welding-1 (light.csv)  ")
    assert told[1].startswith("thin.csv ")
    assert "line 2: settings: 'none.toml': not in order" in told[1]
    assert told[2].startswith("welding-1 (thin.csv) ")
    assert "1 that were studied are worth changing" in told[3]
    assert "2 could not be studied." in told[3]


def test_a_fleet_of_which_nothing_could_be_studied(
    directory: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fleet_list = directory / "none.csv"
    fleet_list.write_text("trace,settings\nthin.csv,plant.toml\nheavy.csv,none.toml\n")
    assert main(["study", "--fleet", str(fleet_list)]) == 2
    out, err = capsys.readouterr()
    assert "None of the 2 could be studied." in out
    assert "worth changing" not in out
    assert "no collector on this list could be studied" in err


def test_what_does_not_go_together(directory: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["study", "a.csv", "--fleet", "b.csv", "--flow", "1"]) == 2
    assert "--fleet goes without TRACE, --flow" in capsys.readouterr().err
    with pytest.raises(SystemExit, match="2"):
        main(["study", "a.csv", "--list", "0"])
    assert "'0': give a whole number from 1 to" in capsys.readouterr().err
    assert main(["study"]) == 2
    assert "name a TRACE and its --settings" in capsys.readouterr().err


def test_a_sequencer_board_pulses_in_its_rated_time_while_it_is_asked_to() -> None:
    """A trace of a board tells when the demand contact was closed; that is as good as pulses."""
    collector = Collector(Truth(), 7)
    collector.on_demand(1.5)
    samples, recorded = collector.trace()
    asked = Recorded()
    last_s = float("-inf")
    for pulse in recorded.pulses:
        if pulse.by_s > last_s + 15.5:  # the controller pulses every 15 s in a run
            if asked.cleaning:
                asked.cleans(last_s + 15.0, under_way=False)
            asked.cleans(pulse.by_s, under_way=True)
        last_s = pulse.by_s
    asked.cleans(last_s + 15.0, under_way=False)
    pulsing = board(pulsing={"sequencer_cycle_s": 60.0, "order": (1, 2, 3, 4)}).pulsing
    made = with_pulses_of_a_board(asked, pulsing, float(samples.t_s[-1]))
    assert [(p.by_s, p.valve) for p in made.pulses] == [(p.by_s, p.valve) for p in recorded.pulses]
    assert made.has_pulse_columns
    found = fit_collector(samples, made, (1, 2, 3, 4))
    assert found.removed.low < Truth().removed < found.removed.high
    assert not with_pulses_of_a_board(Recorded(), pulsing, 9.0).has_pulse_columns
