"""Everything about one collector that people choose, in SI units. Checked where it is loaded."""

from collections.abc import Sequence
from enum import StrEnum
from itertools import pairwise
from math import inf

from dustcake.core.alarms.names import AlarmSetting
from dustcake.core.inputs import CONTACT_NAMES
from dustcake.core.record import record
from dustcake.core.requests.kinds import Mode


class SignalKind(StrEnum):
    """How a transmitter puts its value into registers."""

    SCALED_INTEGER = "scaled_integer"  # one signed 16-bit word, linear between two points
    CURRENT = "current"  # one word counting a 4-20 mA loop current
    FLOAT32 = "float32"  # two words, IEEE 754 single precision, in one of four orders


class WordOrder(StrEnum):
    """Order of the four bytes A B C D (A most significant) over two registers.

    Modbus defines no 32-bit type, so this cannot be known, only chosen.
    """

    ABCD = "abcd"
    CDAB = "cdab"
    BADC = "badc"
    DCBA = "dcba"


@record
class Scale:
    """From registers to pascals: ``pa = offset_pa + gain_pa * x``.

    ``x`` is the signed word (`scaled_integer`), the loop current in mA (`current`, which is
    ``ma_per_count`` times the word) or the decoded number (`float32`). ``span_low_pa`` and
    ``span_high_pa`` bound what the transmitter can measure.
    """

    kind: SignalKind
    offset_pa: float
    gain_pa: float
    span_low_pa: float
    span_high_pa: float
    ma_per_count: float = 0.001
    word_order: WordOrder = WordOrder.ABCD


@record
class Fitted:
    """Which optional inputs this collector has."""

    blower_running: bool = False
    smoke: bool = False
    door_open: bool = False
    process_running: bool = False
    stop: bool = False
    drum_full: bool = False

    def names(self) -> tuple[str, ...]:
        """Those that are fitted, named as in ``Contacts``."""
        return tuple(name for name in CONTACT_NAMES if getattr(self, name))


class OnBadReading(StrEnum):
    """What on-demand cleaning does while the reading cannot be trusted."""

    HOLD = "hold"
    TIMED = "timed"  # pulse at the fallback interval while the blower is proved running


@record
class Cleaning:
    """When to clean. Starts at or above ``high_pa``, stops at or below ``low_pa``."""

    mode: Mode
    low_pa: float
    high_pa: float
    on_delay_s: float
    finish_cycle: bool
    max_cycles: int  # full cycles in one run without reaching low_pa before cleaning rests
    rest_s: float  # how long it then rests before it may try again
    timed_interval_s: float
    on_bad_reading: OnBadReading
    fallback_delay_s: float
    fallback_interval_s: float
    downtime: bool
    downtime_spin_down_s: float
    downtime_passes: int
    downtime_min_run_s: float  # the blower must have run this long since the last such cleaning


class OutputKind(StrEnum):
    """How the valves are reached."""

    VALVES_ONE_SHOT = "valves_one_shot"  # the output module ends the pulse itself
    VALVES_ON_OFF = "valves_on_off"  # the daemon ends the pulse and reads the coil back
    DEMAND_CONTACT = "demand_contact"  # a sequencer board pulses while the contact is closed


@record
class Pulsing:
    """How to pulse. ``order``: 1-based valves in the order they fire, each once a cycle."""

    kind: OutputKind
    order: tuple[int, ...]
    on_time_s: float
    interval_s: float
    report_timeout_s: float  # a command without an outcome by then counts as failed
    sequencer_cycle_s: float  # demand contact: how long the board needs for one full cycle


@record
class HeaderLimits:
    """Header pressure (gauge) within which pulses are allowed, where a transmitter is fitted."""

    min_pa: float
    max_pa: float


@record
class AlarmRules:
    """What holds for alarms in general, and the limits of those that are not about dP.

    No alarm is shelved for longer than ``shelve_max_s``. New filters read low until the blower has
    run for ``seasoning_s``. Cleaning is too frequent when ``frequent_runs`` runs in a row have
    begun within ``frequent_gap_s`` of the end of the one before.
    """

    shelve_max_s: float
    seasoning_s: float
    frequent_gap_s: float
    frequent_runs: int


@record
class AlarmLimits:
    """Limits of the dP alarms. An alarm clears only ``deadband_pa`` inside its limit."""

    replacement_pa: float
    replacement_cycles: int  # full cycles that must have run above it
    high_pa: float
    low_pa: float
    low_start_delay_s: float  # no low dP alarm until the blower has run this long
    deadband_pa: float


@record
class MaintenanceSetting:
    """Something people do now and again: after so much running time of the blower, so many pulses
    of all valves, or so much time; whichever of those given comes first. ``text``: what to do."""

    name: str
    text: str
    every_run_s: float | None = None
    every_pulses: int | None = None
    every_s: float | None = None


@record
class Zeroing:
    """Conditions for taking a zero: reading within ``limit_pa``, averaged over ``average_s``,
    and the blower off for ``blower_off_s`` (dP needs time to fall)."""

    limit_pa: float
    average_s: float
    blower_off_s: float


class BlowerRequest(StrEnum):
    """What decides on the blower run request."""

    NONE = "none"  # no such output
    PROCESS = "process"  # follows the process-equipment contact
    HAND = "hand"  # by request of a person


@record
class Blower:
    """The blower: how it is requested, and how its flow is proved without a contact."""

    request: BlowerRequest
    run_on_s: float  # keeps running this long after the process stops
    flow_proof_pa: float  # without a blower contact, dP at or above this proves flow
    timed_unproved: bool = False  # without one, timed cleaning does not wait for that proof


class FanPlace(StrEnum):
    """Where the fan is: it decides which sensing line a wrong sign of dP speaks against."""

    DOWNSTREAM = "downstream"  # of the filters: both sides below the pressure of the room
    UPSTREAM = "upstream"  # both sides above it


@record
class ValidationSetting:
    """When a dP that is read is not believed. A limit of infinity, or a time of 0, switches that
    check off."""

    fan: FanPlace
    jump_pa: float  # more from one poll to the next, and nothing to explain it
    jump_confirm_s: float  # how long it must stay to be taken for real
    frozen_within_pa: float  # a reading that stays this close to one value does not move
    frozen_after_s: float  # for so long, with the blower running
    no_dp_pa: float  # at or below this there is no dP
    no_dp_after_s: float  # the blower must have run this long, and dP have been so for it
    zero_check_after_s: float  # the blower must have been off this long: dP needs time to fall
    zero_drift_pa: float  # further from zero than this with the blower off: zero drift
    not_zero_pa: float  # and further than this it has not fallen to zero at all


@record
class PulseResponseSetting:
    """What is made of the answers to pulses. ``response_s`` 0 switches all of it off."""

    response_s: float  # how long after a pulse dP and header are looked at
    recovered_share: float  # of its pressure at rest a header must be back at for the next pulse
    torn_share: float  # of what filters come back to after cleaning; dP below it is too low
    torn_after_s: float  # for so long


@record
class Air:
    """How the air of a pulse is counted, and what it costs. ``header_volume_m3`` None: pulses are
    counted as rated. Free air is at 20 C and ``reference_pa``."""

    header_volume_m3: float | None = None
    rated_pulse_m3: float = 0.04
    reference_pa: float = 101_325.0
    energy_kwh_per_m3: float = 0.106
    price_per_kwh: float = 0.12
    currency: str = "USD"


@record
class Adjusting:
    """Which set points people may change by request: from where to where, None: not at all. Values
    within these keep every other rule of the settings, but that low must stay below high.
    ``on_time_step_s``: of which the on-time must be a multiple; infinite: of nothing in particular.
    ``timed_follows``: timed cleaning has no interval of its own."""

    low_pa: tuple[float, float] | None = None
    high_pa: tuple[float, float] | None = None
    interval_s: tuple[float, float] | None = None
    on_time_s: tuple[float, float] | None = None
    on_time_step_s: float = inf
    timed_follows: bool = False
    confirm_within_s: float = 60.0


@record
class Setpoints:
    """All settings of one collector that decisions depend on."""

    collector: str
    dp: Scale
    header: Scale | None
    header_limits: HeaderLimits
    fitted: Fitted
    stale_after_s: float
    settle_s: float  # after a start: no pulse before this has passed
    outputs_retry_s: float
    cleaning: Cleaning
    pulsing: Pulsing
    alarms: tuple[AlarmSetting, ...]  # one for each name, in the order of ``AlarmName``
    limits: AlarmLimits
    alarm_rules: AlarmRules
    zeroing: Zeroing
    blower: Blower
    signal_validation: ValidationSetting
    pulse_response: PulseResponseSetting
    maintenance: tuple[MaintenanceSetting, ...] = ()
    edited_by: str = ""  # who changed the settings last, as they say themselves
    air: Air = Air()
    adjusting: Adjusting = Adjusting()
    seasoning_h: float = 40.0  # blower hours of new filters whose residual dP is no trend yet


def order_skipping_neighbours(valves: int) -> tuple[int, ...]:
    """Every valve from 1 to ``valves`` once, neighbours never in succession where possible, so that
    the dust a pulse throws off does not settle on a row that has just been cleaned (common
    practice, no source).

    From five valves on this holds over the end of the cycle too. Four valves admit it within a
    cycle only, three or fewer not at all. Raises ValueError for fewer than one valve.
    """
    if valves < 1:
        raise ValueError(f"a collector has at least one valve, not {valves}")
    odd, even = tuple(range(1, valves + 1, 2)), tuple(range(2, valves + 1, 2))
    # Odd rows first would put 3 before 2 where there are only four rows.
    return even + odd if valves == 4 else odd + even


def neighbours_in_succession(order: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """The pairs of neighbouring valves that follow each other within one cycle of ``order``."""
    return tuple((a, b) for a, b in pairwise(order) if abs(a - b) == 1)
