"""Rules that join several settings."""

import pytest

from settings.files import (
    BLOWER_CONTACT,
    BUS,
    OUTPUTS,
    TRANSMITTER,
    collector_text,
    file_text,
    only_problem,
    settings_of,
)

LINE = '\n[[bus]]\nname = "line"\nkind = "rtu"\nport = "/dev/ttyUSB0"\n'
DEMAND = '[collector.outputs]\nbus = "io"\nkind = "demand_contact"\ncoils = [7]\n'
HEADER = 'header = { bus = "io", register = 1, kind = "current", span = ["0 psi", "150 psi"] }\n'


@pytest.mark.parametrize(
    ("lines", "setting", "allowed"),
    [
        ('cleaning.low = "4 inH2O"', "cleaning.low", "below cleaning.high"),
        ('cleaning.high = "3 inH2O"', "cleaning.high", "above cleaning.low"),
        ('cleaning.high = "5 inH2O"', "cleaning.high", "below alarms.replacement"),
        ('alarms.replacement = "6.01 inH2O"', "alarms.replacement", "at or below alarms.high"),
        ('alarms.high = "4.99 inH2O"', "alarms.high", "at or above alarms.replacement"),
        ('alarms.high = "10.01 inH2O"', "alarms.high", "at or below 10 inH2O"),
        ('alarms.low = "3 inH2O"', "alarms.low", "below cleaning.low"),
        ('alarms.deadband = "2 inH2O"', "alarms.deadband", "less than the distance"),
        ('alarms.low = "2.9 inH2O"', "alarms.deadband", "less than the distance from alarms.low"),
        (
            'alarms.low = "647 Pa"\ncleaning.low = "747 Pa"\nalarms.deadband = "100 Pa"',
            "alarms.deadband",
            "less than the distance from alarms.low",
        ),
        (
            'cleaning.low = "800 Pa"\ncleaning.high = "850 Pa"\nalarms.replacement = "900 Pa"\n'
            'alarms.deadband = "100 Pa"',
            "alarms.deadband",
            "less than the distance from cleaning.low",
        ),
        (
            'cleaning.low = "6 inH2O"\ncleaning.high = "4 inH2O"',
            "cleaning.high",
            'above cleaning.low = "6 inH2O"',
        ),
        ('blower.flow_proof = "3 inH2O"', "blower.flow_proof", "below cleaning.low"),
        ('zeroing.limit = "3 inH2O"', "zeroing.limit", "below cleaning.low"),
        ("pulsing.order = [1, 2, 3]", "pulsing.order", "each valve from 1 to 4 once"),
        ("pulsing.order = [1, 2, 3, 3]", "pulsing.order", "each valve from 1 to 4 once"),
        ("pulsing.order = [0, 1, 2, 3]", "pulsing.order", "each valve from 1 to 4 once"),
        ("pulsing.sequencer_cycle_s = 80", "pulsing.sequencer_cycle_s", "nothing"),
        ("cleaning.timed_interval_s = 14.9", "cleaning.timed_interval_s", "at or above"),
        ("cleaning.fallback_interval_s = 14.9", "cleaning.fallback_interval_s", "at or above"),
        ("poll_s = 4\nstale_after_s = 7.9", "stale_after_s", "at least twice poll_s"),
        ("stale_after_s = 1.9", "stale_after_s", "at least twice poll_s"),
        ("pulsing.report_timeout_s = 4.9", "pulsing.report_timeout_s", "at least 5"),
        ("cleaning.downtime = true", "cleaning.downtime", "false, as no blower contact"),
        ('blower = { request = "hand" }', "blower.coil", "an output"),
        ('blower.coil = { bus = "io", coil = 9 }', "blower.coil", "nothing, for request = none"),
        (
            'blower = { request = "process", coil = { bus = "io", coil = 9 } }',
            "blower.request",
            '"hand" or "none"',
        ),
        (HEADER.replace(" }", ', min = "110 psi" }'), "header.min", "below header.max"),
        (HEADER.replace(" }", ', max = "60 psi" }'), "header.max", "above header.min"),
        (HEADER.replace("150 psi", "100 psi"), "header.max", "at or below 100 psi"),
        (HEADER.replace("register = 1", "register = 0"), "header.register", "not those of"),
        ('contacts.smoke = { bus = "oi", address = 1 }', "contacts.smoke.bus", "one of io"),
        (
            'blower = { request = "hand", coil = { bus = "io", coil = 2 } }',
            "blower.coil.coil",
            "not",
        ),
    ],
)
def test_within_a_collector(lines: str, setting: str, allowed: str) -> None:
    problem = only_problem(file_text(lines))
    assert problem.setting == f"collector[west].{setting}"
    assert problem.allowed.startswith(allowed)


@pytest.mark.parametrize(
    "lines",
    [
        'alarms.replacement = "6 inH2O"',
        'alarms.high = "10 inH2O"',
        "cleaning.timed_interval_s = 15",
        "stale_after_s = 2",
        "pulsing.report_timeout_s = 5",
        "pulsing.on_time_s = 0.05",
        "pulsing.on_time_s = 0.3",
        "pulsing.interval_s = 1",
        "pulsing.order = [4, 3, 2, 1]",
        BLOWER_CONTACT + "cleaning.downtime = true",
        BLOWER_CONTACT + 'blower.flow_proof = "3 inH2O"',
        BLOWER_CONTACT.replace("blower", "process")
        + 'blower = { request = "process", coil = { bus = "io", coil = 9 } }',
        HEADER.replace("150 psi", "110 psi"),
    ],
)
def test_just_in_order(lines: str) -> None:
    settings_of(lines)


def test_the_one_somebody_wrote_is_spoken_of() -> None:
    problem = only_problem(file_text('alarms.high = "4 inH2O"'))
    assert problem.setting == "collector[west].alarms.high"
    assert '5 inH2O" (the default)' in problem.allowed
    assert problem.remedy == "raise it, or lower alarms.replacement"


@pytest.mark.parametrize(
    ("old", "new", "setting", "allowed"),
    [
        ('"10 inH2O"]', '"3 kPa"]', "span", "two pressures in the same unit"),
        ('"0 inH2O", "10 inH2O"', '"10 inH2O", "0 inH2O"', "span", "a low end below the high end"),
        ('"0 inH2O", "10 inH2O"', '"9 inH2O", "9 inH2O"', "span", "a low end below the high end"),
        ('"0 inH2O"', '"0.1 inH2O"', "span", "a low end at or below zero"),
        ('"current"', '"scaled_integer"', "counts", "two whole numbers"),
        ('"current"', '"scaled_integer"\ncounts = [5, 5]', "counts", "two different ones"),
        ('"current"', '"scaled_integer"\ncounts = [0, 32768]', "counts", "two different ones"),
        ('"current"', '"current"\ncounts = [0, 20000]', "counts", "values in the ratio 4 to 20"),
        ('"current"', '"current"\ncounts = [3900, 20000]', "counts", "values in the ratio 4 to 20"),
        ('"current"', '"current"\ncounts = [20000, 4000]', "counts", "values in the ratio 4 to 20"),
        ('"current"', '"float32"\ncounts = [0, 1]', "counts", "nothing, for kind"),
        ('0\nkind = "current"', '65535\nkind = "float32"', "register", "0 to 65534"),
    ],
)
def test_registers_that_do_not_add_up(old: str, new: str, setting: str, allowed: str) -> None:
    problem = only_problem(file_text(transmitter=TRANSMITTER.replace(old, new)))
    assert problem.setting == f"collector[west].transmitter.{setting}"
    assert problem.allowed.startswith(allowed)


@pytest.mark.parametrize(
    ("lines", "outputs", "setting", "allowed"),
    [
        ("", DEMAND, "pulsing.sequencer_cycle_s", "a number"),
        (
            "pulsing = { sequencer_cycle_s = 80, on_time_s = 0.1 }",
            DEMAND,
            "pulsing.on_time_s",
            "nothing",
        ),
        (
            "pulsing = { sequencer_cycle_s = 80, order = [1] }",
            DEMAND,
            "pulsing.order",
            "nothing",
        ),
        (
            "pulsing.sequencer_cycle_s = 80",
            DEMAND.replace("[7]", "[7, 8]"),
            "outputs.coils",
            "one coil",
        ),
        ("", OUTPUTS.replace("3]", "2]"), "outputs.coils", "each coil once"),
        (
            "",
            OUTPUTS + "one_shot_ms_per_count = 10.0\n",
            "outputs.one_shot_ms_per_count",
            "nothing without",
        ),
        (
            "",
            OUTPUTS.replace("one_shot", "on_off") + "one_shot_register = 3\n",
            "outputs.one_shot_register",
            "nothing, except",
        ),
        (
            "pulsing.on_time_s = 0.125",
            OUTPUTS + "one_shot_register = 3\none_shot_ms_per_count = 10.0\n",
            "pulsing.on_time_s",
            "a multiple of",
        ),
    ],
)
def test_outputs(lines: str, outputs: str, setting: str, allowed: str) -> None:
    problem = only_problem(file_text(lines, outputs=outputs))
    assert problem.setting == f"collector[west].{setting}"
    assert problem.allowed.startswith(allowed)


@pytest.mark.parametrize(
    "kind", ['"scaled_integer"\ncounts = [0, 32767]', '"current"\ncounts = [3990, 20000]']
)
def test_registers_that_do(kind: str) -> None:
    settings_of(transmitter=TRANSMITTER.replace('"current"', kind))


def test_outputs_in_order() -> None:
    one_count = OUTPUTS + "one_shot_register = 3\none_shot_ms_per_count = 150.0\n"
    settings_of(outputs=one_count)
    settings_of("pulsing.sequencer_cycle_s = 80", outputs=DEMAND)
    ten = OUTPUTS + "one_shot_register = 3\none_shot_ms_per_count = 10.0\n"
    settings_of("pulsing.on_time_s = 0.15", outputs=ten)


EAST = collector_text(
    name="east",
    transmitter=TRANSMITTER.replace("register = 0", "register = 1"),
    outputs=OUTPUTS.replace("0, 1, 2, 3", "4, 5, 6, 7"),
)


def test_two_collectors_beside_each_other() -> None:
    names = [collector.name for collector in settings_of(tail=EAST).collectors]
    assert names == ["west", "east"]


@pytest.mark.parametrize(
    ("old", "new", "setting", "says"),
    [
        ('name = "east"', 'name = "west"', "collector[#2].name", "no other collector"),
        ('name = "east"', 'name = "West"', "collector[West].name", "no other collector"),
        ("register = 1", "register = 0", "collector[east].transmitter.register", "west"),
        ("4, 5, 6, 7", "4, 3, 6, 7", "collector[east].outputs.coils", "coil 3"),
    ],
)
def test_conflicts_between_collectors(old: str, new: str, setting: str, says: str) -> None:
    problem = only_problem(file_text(tail=EAST.replace(old, new)))
    assert problem.setting == setting
    assert says in problem.allowed


def test_a_float_takes_two_registers() -> None:
    as_float = TRANSMITTER.replace('"current"', '"float32"')
    problem = only_problem(file_text(transmitter=as_float, tail=EAST))
    assert problem.setting == "collector[east].transmitter.register"


def test_the_same_coil_of_another_unit_or_bus_is_another_coil() -> None:
    same = EAST.replace("4, 5, 6, 7", "0, 1, 2, 3")
    other_unit = same.replace('kind = "valves_one_shot"', 'kind = "valves_one_shot"\nunit = 2')
    settings_of(tail=other_unit)
    second_bus = BUS + BUS.replace('"io"', '"io2"').replace(".10", ".11")
    head, _, outputs = same.partition("[collector.outputs]")
    settings_of(bus=second_bus, tail=f"{head}[collector.outputs]{outputs.replace('io', 'io2', 1)}")


def test_one_register_cannot_hold_two_on_times() -> None:
    register = "one_shot_register = 100\n"
    tail = EAST.replace(
        "[collector.transmitter]", "pulsing.on_time_s = 0.1\n[collector.transmitter]"
    )
    problem = only_problem(file_text(outputs=OUTPUTS + register, tail=tail + register))
    assert problem.setting == "collector[east].pulsing.on_time_s"
    assert "0.15" in problem.allowed
    settings_of(outputs=OUTPUTS + register, tail=EAST + register)


@pytest.mark.parametrize(
    ("bus", "setting", "allowed"),
    [
        (BUS + BUS.replace(".10", ".11"), "bus[#2].name", "a name no other bus has"),
        (BUS + BUS.replace('"io"', '"io2"'), "bus[io2].host", "a device or line of its own"),
        (
            BUS + LINE + LINE.replace('"line"', '"line2"'),
            "bus[line2].port",
            "a device or line of its own",
        ),
    ],
)
def test_buses(bus: str, setting: str, allowed: str) -> None:
    problem = only_problem(file_text(bus=bus))
    assert problem.setting == setting
    assert problem.allowed.startswith(allowed)


@pytest.mark.parametrize(("unit", "good"), [(0, False), (1, True), (247, True), (248, False)])
def test_unit_ids_on_a_serial_line(unit: int, good: bool) -> None:
    lines = f'contacts.stop = {{ bus = "line", unit = {unit}, address = 1 }}'
    if good:
        settings_of(lines, bus=BUS + LINE)
    else:
        problem = only_problem(file_text(lines, bus=BUS + LINE))
        assert problem.setting == "collector[west].contacts.stop.unit"


def test_a_missing_bus_suggests_the_nearest() -> None:
    problem = only_problem(file_text('contacts.stop = { bus = "ioo", address = 1 }'))
    assert problem.remedy == 'did you mean "io"?'


@pytest.mark.parametrize(
    ("mqtt", "setting"),
    [
        ('host = "broker.example"', "mqtt.host"),
        ('host = "192.0.2.9"', "mqtt.host"),
        ('host = "localhost"\npassword_file = "/p"', "mqtt.username"),
        ('host = "localhost"\ntls.cert_file = "/c"', "mqtt.tls.key_file"),
        ('host = "localhost"\ntls.key_file = "/k"', "mqtt.tls.cert_file"),
        ('host = "broker.example"\ntls = {}\nrequests_enabled = true', "mqtt.requests_enabled"),
        ('host = "broker.example"\ntls = {}\nrequests_adjust = true', "mqtt.requests_adjust"),
        ('host = "localhost"\nroot = "a/#"', "mqtt.root"),
        ('host = "localhost"\nroot = "/a"', "mqtt.root"),
        ('host = "localhost"\nroot = "$SYS"', "mqtt.root"),
        ('host = "localhost"\nversion = 5', "mqtt.version"),
        ('host = "mqtt://localhost"', "mqtt.host"),
    ],
)
def test_broker_refused(mqtt: str, setting: str) -> None:
    assert only_problem(file_text(tail=f"[mqtt]\n{mqtt}\n")).setting == setting


@pytest.mark.parametrize(
    ("mqtt", "port"),
    [
        ('host = "localhost"', 1883),
        ('host = "127.0.0.1"', 1883),
        ('host = "::1"\nrequests_enabled = true', 1883),
        ('host = "broker.example"\nallow_plaintext = true', 1883),
        ('host = "broker.example"\ntls = {}', 8883),
        ('host = "broker.example"\ntls = {}\nport = 1884', 1884),
        (
            'host = "broker.example"\ntls = {}\nrequests_enabled = true\n'
            'username = "u"\npassword_file = "/p"',
            8883,
        ),
    ],
)
def test_broker_accepted(mqtt: str, port: int) -> None:
    settings = settings_of(tail=f"[mqtt]\n{mqtt}\n")
    assert settings.mqtt is not None
    assert settings.mqtt.port_used == port
    assert settings.mqtt.tls is None or settings.mqtt.tls.verify


@pytest.mark.parametrize(
    ("site", "client_id"),
    [("", "dustcake-site"), ('[site]\nname = "Hall 2 / East"', "dustcake-hall-2-east")],
)
def test_client_identifier_made_of_the_site(site: str, client_id: str) -> None:
    assert settings_of(tail=site).client_id("mqtt") == client_id
