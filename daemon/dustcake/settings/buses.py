"""The field side of the settings: buses, and where on them each signal and output is found."""

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from dustcake.core.setpoints import OutputKind, SignalKind, WordOrder
from dustcake.settings.base import AnyPressure, Host, Lax, Name, PositivePressure, Section, TextLine
from dustcake.units import Pressure, PressureUnit

UnitId = Annotated[int, Field(ge=0, le=255)]
Address = Annotated[int, Field(ge=0, le=65535)]
Count = Annotated[int, Field(ge=-32768, le=65535)]


class TcpBus(Section):
    """A Modbus TCP device or gateway."""

    kind: Literal["tcp"]
    """`tcp`: Modbus TCP; `rtu`: a serial line."""
    name: Name
    """Name by which the collectors of this file refer to it."""
    host: Host
    """Host name or address."""
    port: int = Field(default=502, ge=1, le=65535)
    """TCP port; 502 is the one assigned to Modbus."""
    timeout_s: float = Field(default=0.5, ge=0.05, le=10)
    """How long to wait for a reply."""
    retries: int = Field(default=1, ge=0, le=5)
    """How often a read is tried again before it counts as failed. Writes are never repeated."""


class SerialBus(Section):
    """A Modbus RTU line."""

    kind: Literal["rtu"]
    """`tcp`: Modbus TCP; `rtu`: a serial line."""
    name: Name
    """Name by which the collectors of this file refer to it."""
    port: TextLine = Field(examples=["/dev/ttyUSB0"])
    """Serial port, such as /dev/ttyUSB0; better a name below /dev/serial/by-id, which stays."""
    baud: int = Field(default=19200, ge=1200, le=115200)
    """Bits a second; 19200 is the default of the serial line specification (from memory)."""
    parity: Literal["even", "odd", "none"] = "even"
    """Even is the default of the serial line specification; `none` goes with two stop bits."""
    timeout_s: float = Field(default=0.5, ge=0.05, le=10)
    """How long to wait for a reply."""
    retries: int = Field(default=1, ge=0, le=5)
    """How often a read is tried again before it counts as failed. Writes are never repeated."""


Bus = Annotated[TcpBus | SerialBus, Field(discriminator="kind")]


class WordTable(StrEnum):
    """Which of the two register tables."""

    INPUT = "input"  # function 04
    HOLDING = "holding"  # function 03


class BitTable(StrEnum):
    """Which of the two bit tables."""

    DISCRETE = "discrete"  # function 02
    COIL = "coil"  # function 01


class AnalogInput(Section):
    """A transmitter: where it is read, and what its registers mean."""

    bus: Name
    """Name of the bus it is read over."""
    unit: UnitId = 1
    """Modbus unit id."""
    table: Lax[WordTable] = WordTable.INPUT
    """`input` registers (function 04) or `holding` registers (function 03)."""
    register_address: Address = Field(alias="register")
    """Zero-based address, as in the protocol (30001 in a five-digit manual is 0)."""
    kind: Lax[SignalKind]
    """`scaled_integer`: one signed word, linear between two points; `current`: one word counting
    a 4-20 mA loop current; `float32`: two words holding the pressure in the unit of `span`."""
    word_order: Lax[WordOrder] = WordOrder.ABCD
    """For float32: Modbus does not define it, so the device's manual must."""
    span: Lax[tuple[AnyPressure, AnyPressure]] = Field(examples=[["0 inH2O", "10 inH2O"]])
    """What the transmitter measures at its low and its high end, both in the same unit."""
    counts: Lax[tuple[Count, Count]] | None = Field(default=None, examples=[[4000, 20000]])
    """Register values at the two ends of `span`: needed for scaled_integer; for current left out
    means microamperes, 4000 to 20000; not for float32."""

    @property
    def word_count(self) -> int:
        """Registers to read."""
        return 2 if self.kind is SignalKind.FLOAT32 else 1


class HeaderInput(AnalogInput):
    """The transmitter of the header pressure (gauge), and the band pulses are allowed in."""

    min: PositivePressure = Pressure(60.0, PressureUnit.PSI)
    """No pulse below this: a weak pulse cleans nothing. 60-70 psi is the usual warning (common
    practice, no source)."""
    max: PositivePressure = Pressure(110.0, PressureUnit.PSI)
    """No pulse above this: a failed regulator bursts media (common practice, no source)."""


class ContactInput(Section):
    """A contact: where it is read, and whether it is true when open."""

    bus: Name
    """Name of the bus it is read over."""
    unit: UnitId = 1
    """Modbus unit id."""
    table: Lax[BitTable] = BitTable.DISCRETE
    """`discrete` inputs (function 02) or `coil` outputs read back (function 01)."""
    address: Address
    """Zero-based address, as in the protocol."""
    invert: bool = False
    """True where the bit is 0 when the named condition holds (a fail-safe smoke contact)."""


class Contacts(Section):
    """Optional contact inputs. Leave out what is not fitted."""

    blower_running: ContactInput | None = None
    """Proves that the blower runs."""
    smoke: ContactInput | None = None
    """Smoke or spark detected: no pulses, and the blower run request is withdrawn."""
    door_open: ContactInput | None = None
    """An access door is open: no pulses."""
    process_running: ContactInput | None = None
    """The equipment whose dust is collected is running."""
    stop: ContactInput | None = None
    """Somebody or something asks for no pulses."""
    drum_full: ContactInput | None = None
    """The dust drum or drawer is full."""


class CoilOutput(Section):
    """One coil."""

    bus: Name
    """Name of the bus it is written over."""
    unit: UnitId = 1
    """Modbus unit id."""
    coil: Address
    """Zero-based address, as in the protocol."""


class ModuleWatchdog(Section):
    """The output module's own watchdog: with no valid request for this long it switches its
    outputs off by itself, so that a valve closes also when the daemon's computer dies, or the line
    to it. The module must have one; its manual names the register. It drops every output of the
    module, a blower run request too."""

    register_address: Address = Field(alias="register")
    """Holding register that takes the time-out. Written at the start, read back three times within
    each time-out, which is also what keeps it from running out, and written again whenever it
    reads otherwise. Until it has been set no valve is switched on."""
    timeout_s: float = Field(ge=1, le=600)
    """The time-out: longer than a pulse by a second at least, or it would end pulses."""
    s_per_count: float = Field(default=1.0, gt=0, le=60)
    """Seconds one count of that register stands for."""

    @property
    def counts(self) -> int:
        """Number that the register takes."""
        return round(self.timeout_s / self.s_per_count)


class Outputs(Section):
    """How the valves are reached."""

    kind: Lax[OutputKind]
    """`valves_one_shot`: the output module ends each pulse itself (preferred: a valve cannot stay
    open because a message was lost); `valves_on_off`: the daemon ends it and reads the coil back;
    `demand_contact`: a sequencer board pulses while the contact is closed."""
    bus: Name
    """Name of the bus they are written over."""
    unit: UnitId = 1
    """Modbus unit id."""
    coils: Lax[tuple[Address, ...]] = Field(
        min_length=1, max_length=128, examples=[[16, 17, 18, 19]]
    )
    """One coil a valve, in the order the valves are numbered; one coil for a demand contact."""
    one_shot_register: Address | None = None
    """For valves_one_shot: holding register that takes the pulse time, written before the first
    pulse and whenever it changes. Leave out where the module's time is set on the module."""
    one_shot_ms_per_count: float = Field(default=1.0, gt=0, le=1000)
    """Milliseconds one count of that register stands for."""
    watchdog: ModuleWatchdog | None = None
    """The module's watchdog. Leave out where the module has none; with valves_on_off choose one
    that has: nothing else closes a valve when the daemon dies in the middle of a pulse."""
    retry_s: float = Field(default=10.0, ge=1, le=600)
    """How long after a failed command the outputs are tried again (common practice, no source)."""
