"""What single settings can be wrong in, and how that is told."""

import pytest

from settings.files import BUS, OUTPUTS, TRANSMITTER, file_text, only_problem, problems_in


def test_unknown_key_suggests_the_nearest() -> None:
    problem = only_problem(file_text("pulsing.intervall_s = 20"))
    assert problem.setting == "collector[west].pulsing.intervall_s"
    assert problem.value == "unknown setting"
    assert problem.remedy == "did you mean `interval_s`?"
    assert "on_time_s" in problem.allowed


def test_key_in_the_wrong_table_is_sent_to_the_right_one() -> None:
    problem = only_problem(file_text("interval_s = 20"))
    assert problem.setting == "collector[west].interval_s"
    assert "[collector.pulsing]" in problem.remedy


def test_key_of_an_alarm_is_sent_there() -> None:
    problem = only_problem(file_text("off_delay_s = 20"))
    assert "[collector.alarms.override.<name>]" in problem.remedy


def test_unknown_key_like_nothing_known() -> None:
    problem = only_problem(file_text("zzz = 1"))
    assert problem.remedy == "remove it, or use one of the known names"


def test_missing_setting_says_what_it_is_and_how_to_write_it() -> None:
    problem = only_problem(file_text(transmitter=TRANSMITTER.replace("register = 0\n", "")))
    assert problem.setting == "collector[west].transmitter.register"
    assert problem.value == "missing"
    assert problem.allowed == "a whole number from 0 to 65535"
    assert "add `register = ...`" in problem.remedy
    assert "Zero-based" in problem.remedy


def test_missing_tables() -> None:
    found = problems_in(file_text(outputs=""))
    assert found["collector[west].outputs"].remedy == "add a table [collector.outputs]"
    found = problems_in("")
    assert found["bus"].remedy == "add at least one table [[bus]]"
    assert found["collector"].remedy == "add at least one table [[collector]]"


def test_single_brackets_where_double_ones_belong() -> None:
    problem = only_problem(file_text(bus=BUS.replace("[[bus]]", "[bus]")))
    assert problem.setting == "bus"
    assert "[[bus]]" in problem.remedy


def test_empty_lists() -> None:
    found = problems_in("bus = []\ncollector = []\n")
    assert set(found) == {"bus", "collector"}


@pytest.mark.parametrize(
    ("line", "setting", "allowed"),
    [
        ("pulsing.on_time_s = 0.049", "pulsing.on_time_s", "a number from 0.05 to 0.3"),
        ("pulsing.on_time_s = 0.31", "pulsing.on_time_s", "a number from 0.05 to 0.3"),
        ("pulsing.interval_s = 0.9", "pulsing.interval_s", "a number from 1 to 3600"),
        ("poll_s = 0", "poll_s", "a number from 0.1 to 60"),
        ("poll_s = inf", "poll_s", "a number from 0.1 to 60"),
        ("poll_s = nan", "poll_s", "a number from 0.1 to 60"),
        ("poll_s = true", "poll_s", "a number from 0.1 to 60"),
        ('poll_s = "1"', "poll_s", "a number from 0.1 to 60"),
        ("poll_s = 2026-01-01", "poll_s", "a number from 0.1 to 60"),
        ("cleaning.max_cycles = 2.0", "cleaning.max_cycles", "a whole number from 1 to 1000"),
        ("cleaning.finish_cycle = 1", "cleaning.finish_cycle", "true or false"),
        ('cleaning.mode = "auto"', "cleaning.mode", 'one of "off", "on_demand", "timed"'),
        ('display_unit = "psi"', "display_unit", 'one of "inH2O", "Pa", "mbar", "mmH2O"'),
        ("cleaning.high = 4.0", "cleaning.high", "a pressure with its unit"),
        ('cleaning.high = "four"', "cleaning.high", "a pressure with its unit"),
        ('cleaning.high = "0 Pa"', "cleaning.high", "a pressure with its unit"),
        ('cleaning.high = ["4 Pa"]', "cleaning.high", "a pressure with its unit"),
        ("cleaning = 3", "cleaning", "a table"),
        ("pulsing.order = []", "pulsing.order", "an array, each a whole number"),
        ("pulsing.order = 3", "pulsing.order", "an array, each a whole number"),
        ("pulsing.order = [1, 2, 3, 4.0]", "pulsing.order[#4]", "a whole number"),
        ("alarms.override.smoke = 1", "alarms.override.smoke", "a table"),
        ("alarms.override = 1", "alarms.override", "a table"),
    ],
)
def test_value_not_allowed(line: str, setting: str, allowed: str) -> None:
    problem = only_problem(file_text(line))
    assert problem.setting == f"collector[west].{setting}"
    assert problem.allowed.startswith(allowed)


@pytest.mark.parametrize(
    ("line", "remedy"),
    [
        ('poll_s = "1"', "write it as a number without quotation marks"),
        ("cleaning.mode = true", "write it in quotation marks"),
        ('cleaning.mode = "on-demand"', 'did you mean "on_demand"?'),
        ('cleaning.high = "4.0 inH20"', 'write it as "4.0 inH2O"'),
        ('cleaning.high = "0 Pa"', "write a pressure above zero"),
        ("cleaning = 3", "write it as a table"),
        ("pulsing.on_time_s = 0.31", "only empties the header"),
    ],
)
def test_remedies(line: str, remedy: str) -> None:
    assert remedy in only_problem(file_text(line)).remedy


def test_numbers_in_messages_are_those_of_the_file() -> None:
    problem = only_problem(file_text("pulsing.on_time_s = 1.5"))
    assert str(problem).startswith("collector[west].pulsing.on_time_s: 1.5\n")


def test_unknown_alarm() -> None:
    problem = only_problem(file_text("alarms.override.high_dq = {}"))
    assert problem.setting == "collector[west].alarms.override.high_dq"
    assert problem.remedy == "did you mean `high_dp`?"
    assert "journal_fault" in problem.allowed


def test_kind_of_bus() -> None:
    problem = only_problem(file_text(bus=BUS.replace('"tcp"', '"tpc"')))
    assert (problem.setting, problem.value) == ("bus[io].kind", '"tpc"')
    assert problem.remedy == 'did you mean "tcp"?'
    problem = only_problem(file_text(bus=BUS.replace('kind = "tcp"\n', "")))
    assert (problem.setting, problem.value) == ("bus[io].kind", "missing")
    problem = only_problem(file_text(bus=BUS + 'parity = "even"\n'))
    assert problem.setting == "bus[io].parity"


@pytest.mark.parametrize("name", ["a/b", "a b", "+", "#", "", "ä", "-a", "x" * 65, "a\\n"])
def test_names_are_safe_in_a_topic(name: str) -> None:
    problem = only_problem(file_text(name=name))
    assert problem.setting == "collector[#1].name"
    assert problem.allowed.startswith("letters, digits")


def test_elements_are_named_where_they_can_be() -> None:
    second = '\n[[collector]]\nname = "east"\npoll_s = 0\n' + TRANSMITTER + OUTPUTS
    found = problems_in(file_text("poll_s = 0", name="a b", tail=second))
    assert set(found) == {"collector[#1].name", "collector[#1].poll_s", "collector[east].poll_s"}


def test_everything_is_reported_at_once() -> None:
    text = file_text(
        """
        poll_s = 0
        cleaning.downtime = true
        cleaning.low = "5 inH2O"
        pulsing.order = [1, 2]
        nonsense = 1
        """,
        tail='[mqtt]\nhost = "broker.example"\nkeepalive_s = 1\n[bogus]\n',
    )
    assert set(problems_in(text)) == {
        "collector[west].poll_s",
        "collector[west].nonsense",
        "mqtt.keepalive_s",
        "bogus",
        "collector[west].cleaning.downtime",
        "collector[west].cleaning.low",
        "collector[west].pulsing.order",
        "mqtt.host",
    }


def test_a_default_standing_in_for_something_wrong_is_not_judged() -> None:
    # The default of `low` is above this `high`, but nobody wrote that default.
    lines = 'cleaning.low = "1 inH20"\ncleaning.high = "2 inH2O"'
    assert set(problems_in(file_text(lines))) == {"collector[west].cleaning.low"}
    # A bus that is wrong in itself is not reported missing too.
    bad_bus = BUS + "port = 0\n"
    assert set(problems_in(file_text(bus=bad_bus))) == {"bus[io].port"}
    no_host = BUS.replace('host = "192.0.2.10"\n', "")
    assert set(problems_in(file_text(bus=no_host))) == {"bus[io].host"}


def test_a_bus_left_out_for_its_own_fault_is_not_reported_missing() -> None:
    other = BUS.replace('host = "192.0.2.10"\n', "").replace('"io"', '"io2"')
    found = problems_in(file_text('contacts.stop = { bus = "io2", address = 1 }', bus=BUS + other))
    assert set(found) == {"bus[io2].host"}


def test_the_longest_name_is_used_in_messages() -> None:
    name = "x" * 64
    problem = only_problem(file_text("poll_s = 0", name=name))
    assert problem.setting == f"collector[{name}].poll_s"


def test_a_collector_wrong_in_itself_does_not_hide_what_is_wrong_in_another() -> None:
    bad = '\n[[collector]]\nname = "east"\n' + TRANSMITTER.replace("register = 0", "register = 5")
    found = problems_in(bad + file_text("cleaning.downtime = true"))
    assert set(found) == {"collector[east].outputs", "collector[west].cleaning.downtime"}
