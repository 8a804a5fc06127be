"""Proof that the blower runs or stands still, and the request that it run."""

import pytest

from core.driver import BASE, LOST, Collector, ContactChanges, answering, chosen, ready
from dustcake.core.commands import SetBlowerRun
from dustcake.core.events import BlowerChanged, BlowerRunSet
from dustcake.core.inputs import Outcome
from dustcake.core.reasons import Because
from dustcake.core.requests.kinds import RunBlower
from dustcake.core.setpoints import BlowerRequest, Setpoints

FITTED = chosen(fitted={"blower_running": True})
SAFETY = {"process_running": True, "smoke": True, "stop": True}
PROCESS = chosen(fitted=SAFETY, blower={"request": BlowerRequest.PROCESS, "run_on_s": 20.0})
HAND = chosen(fitted=SAFETY, blower={"request": BlowerRequest.HAND})


def clear(setpoints: Setpoints, process_running: bool | None = None) -> Collector:
    """Neither smoke nor stop."""
    return ready(setpoints, process_running=process_running, smoke=False, stop=False)


def changes(collector: Collector) -> list[bool | None]:
    return [body.running for body in collector.of(BlowerChanged)]


def runs(collector: Collector) -> list[bool]:
    return [command.run for _, command in collector.sent(SetBlowerRun)]


def told(collector: Collector) -> list[tuple[bool, str]]:
    return [(body.run, body.reason) for body in collector.of(BlowerRunSet)]


# --- proof


def test_by_contact() -> None:
    collector = ready(FITTED, blower_running=True)
    for contact in (True, False, None, False, True):
        collector.poll(800.0, blower_running=contact)
    assert changes(collector) == [True, False, True]


def test_a_contact_that_cannot_be_read_for_long_proves_nothing() -> None:
    collector = ready(FITTED, blower_running=True)
    collector.hold(800.0, 5, blower_running=None)
    assert changes(collector) == [True]
    collector.hold(800.0, 1)
    assert changes(collector) == [True, None]


@pytest.mark.parametrize(
    ("why", "dp", "expected"),
    [
        ("at the proof", [50.0], [True]),
        ("below it", [49.9], []),
        ("once proved it stays proved down to half", [50.0, 25.0], [True]),
        ("and no further", [50.0, 24.9], [True, None]),
        ("dP never proves a blower off", [0.0, 0.0], []),
        ("a lost reading leaves it proved", [50.0, LOST, 30.0, 50.0], [True]),
        ("but not for long", [50.0, *[LOST] * 6, 30.0, 50.0], [True, None, True]),
        ("and a lost one proves nothing", [49.0, LOST, 49.0], []),
    ],
)
def test_by_dp_where_there_is_no_contact(
    why: str, dp: list[float], expected: list[bool | None]
) -> None:
    collector = Collector()
    for each in dp:
        collector.poll(each)
    assert changes(collector) == expected, why


def test_after_a_restart_nothing_is_proved_before_the_first_poll() -> None:
    collector = ready(FITTED, blower_running=True)
    collector.restart()
    assert collector.state.blower.running is None
    assert collector.state.contacts.blower_running is None


# --- the run request


def test_it_follows_the_process_and_runs_on_after_it() -> None:
    collector = clear(PROCESS, False)
    collector.hold(0.0, 5, process_running=True)
    collector.poll(0.0, process_running=False)
    off_s = collector.t
    collector.hold(0.0, 60)
    assert told(collector) == [
        (True, "process equipment running"),
        (False, "process equipment stopped"),
    ]
    assert collector.sent(SetBlowerRun)[-1][0] == off_s + 20.0


def test_a_process_that_comes_back_in_time_keeps_it_running() -> None:
    collector = clear(PROCESS, True)
    collector.hold(0.0, 15, process_running=False).hold(0.0, 30, process_running=True)
    collector.hold(0.0, 19, process_running=False)
    assert [run for run in runs(collector) if run is False] == []


def test_running_on_never_starts_a_blower() -> None:
    collector = clear(PROCESS, False).hold(0.0, 60)
    assert True not in runs(collector)


def test_an_unreadable_process_contact_changes_nothing() -> None:
    collector = clear(PROCESS, True)
    before = runs(collector)
    collector.hold(0.0, 60, process_running=None)
    assert runs(collector) == before == [True]


def test_by_hand() -> None:
    collector = clear(HAND)
    assert collector.ask(RunBlower(True)).accepted
    collector.hold(0.0, 10)
    assert collector.ask(RunBlower(False)).accepted
    assert told(collector) == [(True, "by hand"), (False, "by hand")]


@pytest.mark.parametrize("request_by", [BlowerRequest.NONE, BlowerRequest.PROCESS])
def test_a_request_by_hand_is_refused_where_it_is_not_by_hand(request_by: BlowerRequest) -> None:
    collector = ready(chosen(blower={"request": request_by}))
    answer = collector.ask(RunBlower(True))
    assert (answer.accepted, answer.reason.code) == (False, Because.BLOWER_NOT_BY_HAND)
    assert True not in runs(collector)


def test_without_such_an_output_nothing_is_commanded() -> None:
    collector = clear(chosen(fitted=SAFETY), True)
    collector.hold(0.0, 10, smoke=True)
    assert runs(collector) == []


@pytest.mark.parametrize(("contact", "why"), [("smoke", "smoke"), ("stop", "stop input")])
def test_smoke_and_stop_withdraw_it_at_once(contact: str, why: str) -> None:
    for setpoints in (PROCESS, HAND):
        collector = clear(setpoints, True)
        if setpoints is HAND:
            collector.ask(RunBlower(True))
        assert runs(collector)[-1] is True
        made: ContactChanges = {"smoke": True} if contact == "smoke" else {"stop": True}
        collector.poll(0.0, **made)
        sent_s, command = collector.sent(SetBlowerRun)[-1]
        assert (sent_s, command.run) == (collector.t, False)
        assert told(collector)[-1] == (False, why)


def test_smoke_that_clears_starts_nothing_that_was_asked_for_by_hand() -> None:
    collector = clear(HAND)
    collector.ask(RunBlower(True))
    collector.hold(0.0, 5, smoke=True).hold(0.0, 60, smoke=False)
    assert runs(collector)[-1] is False
    collector.ask(RunBlower(True))
    assert runs(collector)[-1] is True


def test_a_restart_starts_nothing_that_was_asked_for_by_hand() -> None:
    collector = clear(HAND)
    collector.ask(RunBlower(True))
    collector.restart()
    collector.hold(0.0, 60)
    assert runs(collector)[-1] is False
    assert told(collector)[-1] == (False, "by hand")


def test_a_restart_waits_for_the_process_contact_to_be_read() -> None:
    """What the contact said before is not what it says now."""
    collector = clear(PROCESS, True)
    before = len(collector.sent(SetBlowerRun))
    collector.restart()
    collector.wait(30.0)
    assert len(collector.sent(SetBlowerRun)) == before
    collector.poll(0.0)
    assert len(collector.sent(SetBlowerRun)) == before + 1


def test_after_a_failure_it_is_told_again_and_the_event_is_not_repeated() -> None:
    collector = clear(HAND)
    collector.outcome = answering(SetBlowerRun=Outcome.FAILED)
    collector.ask(RunBlower(True))
    asked_s = collector.t
    collector.hold(0.0, 35)
    times = [t for t, command in collector.sent(SetBlowerRun) if command.run]
    assert times == [asked_s, asked_s + 10.0, asked_s + 20.0, asked_s + 30.0]
    assert told(collector) == [(True, "by hand")]
    collector.outcome = answering()
    collector.hold(0.0, 60)
    assert len(collector.sent(SetBlowerRun)) == len(times) + 2  # one at the start, one that worked


@pytest.mark.parametrize("run", [True, False])
def test_without_an_outcome_in_time_it_is_told_again(run: bool) -> None:
    collector = clear(HAND)
    collector.ask(RunBlower(not run))
    collector.outcome = answering(SetBlowerRun=None)
    collector.ask(RunBlower(run))
    asked_s = collector.t
    collector.outcome = answering()
    collector.hold(0.0, 30)
    again = [t for t, command in collector.sent(SetBlowerRun) if command.run is run]
    assert again[-2:] == [
        asked_s,
        asked_s + BASE.pulsing.report_timeout_s + BASE.outputs_retry_s,
    ]


@pytest.mark.parametrize("outcome", [None, Outcome.FAILED])
def test_switching_off_for_smoke_does_not_wait_for_switching_on(outcome: Outcome | None) -> None:
    """Neither for its outcome, nor for the next try after it has failed: it may be on."""
    collector = clear(HAND)
    collector.outcome = answering(SetBlowerRun=outcome)
    collector.ask(RunBlower(True))
    (_, on) = collector.sent(SetBlowerRun)[-1]
    collector.poll(0.0, after_s=0.5, smoke=True)
    sent_s, off = collector.sent(SetBlowerRun)[-1]
    assert (sent_s, off.run) == (collector.t, False)
    assert told(collector)[-1] == (False, "smoke")
    if outcome is None:  # the outcome of switching on comes late, and nobody waits for it
        collector.report(on, Outcome.DONE)
        assert collector.state.blower.command_id == off.command_id
    collector.outcome = answering()
    collector.hold(0.0, 15)
    assert collector.state.blower.fault == ""
    assert set(runs(collector)[runs(collector).index(True) + 1 :]) == {False}


def test_switching_off_that_fails_is_tried_again_in_its_own_time() -> None:
    collector = clear(PROCESS, True)
    collector.outcome = answering(SetBlowerRun=Outcome.FAILED)
    collector.poll(0.0, smoke=True)
    off_s = collector.t
    collector.hold(0.0, 25)
    tries = [t for t, command in collector.sent(SetBlowerRun) if not command.run]
    assert tries == [off_s, off_s + 10.0, off_s + 20.0]


def test_switching_off_is_tried_again_even_if_every_contact_is_lost_meanwhile() -> None:
    collector = clear(PROCESS, True)
    collector.outcome = answering(SetBlowerRun=Outcome.FAILED)
    collector.poll(0.0, smoke=True)
    off_s = collector.t
    collector.wait(40.0)
    tries = [t for t, command in collector.sent(SetBlowerRun) if not command.run]
    assert tries == [off_s + 10.0 * i for i in range(5)]


# --- barred: the process contact does not start the blower again by itself


@pytest.mark.parametrize("made", [{"smoke": True}, {"stop": True}])
def test_after_smoke_or_stop_it_takes_a_process_that_comes_anew(made: ContactChanges) -> None:
    collector = clear(PROCESS, True)
    collector.hold(0.0, 5, **made)
    collector.hold(0.0, 60, smoke=False, stop=False)
    collector.hold(0.0, 5, process_running=None).hold(0.0, 5, process_running=True)
    assert runs(collector) == [True, False]
    collector.hold(0.0, 1, process_running=False).hold(0.0, 1, process_running=True)
    assert runs(collector) == [True, False, True]


def test_a_process_that_comes_anew_while_there_is_smoke_starts_nothing_later() -> None:
    collector = clear(PROCESS, True).hold(0.0, 5, smoke=True)
    collector.hold(0.0, 5, process_running=False).hold(0.0, 5, process_running=True)
    collector.hold(0.0, 60, smoke=False)
    assert runs(collector) == [True, False]


def test_a_process_that_has_stopped_in_the_smoke_may_start_the_blower_after_it() -> None:
    collector = clear(PROCESS, True).hold(0.0, 5, smoke=True)
    collector.hold(0.0, 5, process_running=False).hold(0.0, 5, smoke=False)
    assert runs(collector) == [True, False]  # and there is nothing to run on
    collector.hold(0.0, 1, process_running=True)
    assert runs(collector) == [True, False, True]


def test_a_restart_lifts_no_bar() -> None:
    collector = clear(PROCESS, True).hold(0.0, 5, smoke=True)
    collector.restart()
    collector.hold(0.0, 60, smoke=False)
    assert runs(collector)[-1] is False
    assert runs(collector).count(True) == 1
    collector.hold(0.0, 1, process_running=False).hold(0.0, 1, process_running=True)
    assert runs(collector)[-1] is True
