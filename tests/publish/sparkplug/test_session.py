"""What is kept while nobody listens, and told later; and any order of happenings."""

from hypothesis import event, given
from hypothesis import strategies as st

from dustcake.core.inputs import Stamp
from examples import examples
from publish.sparkplug.host import FIRST_UTC_S, Message, Session
from publish.sparkplug.independent import value_of

DEVICE = "bay 3"


def dp_told(session: Session) -> list[float | None]:
    """Every dP the host has heard, in the order of their own times, each once."""
    seen = session.host.devices[DEVICE].history
    return [value for _, _, value in sorted({h for h in seen if h[0] == "dP"}, key=lambda h: h[1])]


def historical(message: Message) -> list[bool]:
    return [metric.is_historical for metric in message.payload.metrics]


def test_what_happened_while_nobody_listened_comes_as_history_after_the_births() -> None:
    session = Session()
    session.see(500.0)
    session.be_born()
    assert session.is_born()
    session.vanish()
    assert not session.is_born()
    assert session.host.node.online is False
    for value in (501.0, 502.0, 503.0):
        session.see(value)
    heard = session.be_born()
    assert [message.kind for message in heard] == ["NBIRTH", "DBIRTH", "DDATA"]
    assert historical(heard[2]) == [True, True]
    assert [value_of(metric) for metric in heard[2].payload.metrics] == [501.0, 502.0]
    assert session.host.devices[DEVICE].values["dP"] == 503.0, "history does not become present"
    session.see(504.0)
    (live,) = session.tell()
    assert historical(live) == [False]


def test_before_the_first_birth_values_wait_too() -> None:
    session = Session()
    for value in (1.0, 2.0, 3.0):
        session.see(value)
    session.be_born()
    assert dp_told(session) == [1.0, 2.0, 3.0]


def test_too_much_history_is_given_up_oldest_first_and_counted() -> None:
    session = Session(capacity=10)
    session.see(0.0)
    session.be_born()
    session.vanish()
    for number in range(1, 101):
        session.see(float(number))
    session.be_born()
    assert dp_told(session) == [0.0, *[float(n) for n in range(91, 101)]]
    assert session.host.node.values["History/Dropped"] == 90


def test_what_may_have_been_lost_on_the_way_is_told_again() -> None:
    session = Session(unsure_s=5.0)
    session.see(0.0)
    session.be_born()
    for number in range(1, 11):
        session.see(float(number))
        assert session.due() is not None, "it leaves, but never arrives"
    session.at_s += 2.0
    session.vanish()
    session.be_born()
    # Those of the last five seconds; the last one is in the birth anyway.
    assert dp_told(session) == [0.0, 8.0, 9.0, 10.0]


def test_told_again_within_what_can_be_kept() -> None:
    session = Session(unsure_s=100.0, capacity=10)
    session.see(0.0)
    session.be_born()
    for number in range(1, 21):
        session.see(float(number))
        assert session.due() is not None
    for number in range(21, 27):
        session.see(float(number))
    session.vanish()
    session.be_born()
    assert dp_told(session)[1:] == [float(n) for n in range(17, 27)]
    # Of twenty changes, and two values of the first birth, four could wait beside six new ones.
    assert session.host.node.values["History/Dropped"] == 18


def test_a_transmitter_lost_and_back_unseen_is_told_as_a_death_and_a_birth() -> None:
    session = Session()
    session.see(1.0)
    session.be_born()
    session.see(2.0)
    session.see(None, there=False)
    session.see(3.0)
    heard = session.tell()
    assert [message.kind for message in heard] == ["DDATA", "DDEATH", "DBIRTH"]
    assert dp_told(session) == [1.0, 2.0, None, 3.0]


def test_lost_again_before_it_was_told() -> None:
    session = Session()
    session.see(1.0)
    session.be_born()
    session.see(None, there=False)
    session.see(3.0)
    session.see(None, there=False)
    heard = session.tell()
    assert [message.kind for message in heard] == ["DDATA", "DDEATH"]
    session.see(4.0)
    session.tell()
    assert dp_told(session) == [1.0, None, 3.0, None, 4.0]


def test_a_device_that_is_away_at_the_birth_of_the_node_is_born_later() -> None:
    session = Session()
    session.see(None, there=False)
    assert [message.kind for message in session.be_born()] == ["NBIRTH"]
    session.see(5.0)
    assert [message.kind for message in session.tell()] == ["DBIRTH"]


def test_a_metric_that_is_new_needs_another_birth() -> None:
    session = Session()
    session.see(1.0)
    session.be_born()
    metrics = [*session.metrics(2.0), session.extra("Stop", 2.0)]
    session.node.observe(DEVICE, metrics, is_there=True)
    (birth,) = session.tell()
    assert birth.kind == "DBIRTH"
    assert "Stop" in session.host.devices[DEVICE].values
    session.node.observe_node([session.extra("Properties/Site", 3.0)], session.utc_s)
    assert [message.kind for message in session.tell()] == ["NBIRTH", "DBIRTH"]


def test_a_metric_that_is_no_more_is_not_told() -> None:
    session = Session()
    session.node.observe(DEVICE, [*session.metrics(1.0), session.extra("Stop", 1.0)], is_there=True)
    session.be_born()
    session.vanish()
    session.node.observe(DEVICE, [*session.metrics(1.0), session.extra("Stop", 2.0)], is_there=True)
    session.node.observe(DEVICE, session.metrics(1.0), is_there=True)
    heard = session.be_born()
    assert [message.kind for message in heard] == ["NBIRTH", "DBIRTH"]
    session.node.observe(DEVICE, [*session.metrics(1.0), session.extra("Stop", 3.0)], is_there=True)
    assert [message.kind for message in session.tell()] == ["DBIRTH"]


STORIES = st.lists(
    st.one_of(
        st.tuples(st.just("see"), st.integers(0, 5)),
        st.tuples(st.just("lost"), st.just(0)),
        st.tuples(st.sampled_from(["send", "tell", "connect", "break", "rebirth"]), st.just(0)),
    ),
    max_size=60,
)


@examples(200)
@given(STORIES)
def test_whatever_happens_the_host_is_told_everything_that_held(
    story: list[tuple[str, int]],
) -> None:
    """The host checks every message. In the end it knows the present, and has heard every value
    that held while the transmitter answered, but for those within the deadband."""
    session = Session(unsure_s=1000.0)
    connected = False
    values: list[float | None] = []
    there = False
    for what, number in [*story, ("see", 3), ("break", 0), ("connect", 0)]:
        if what == "see":
            session.see(float(number))
            if not there or values[-1] != float(number):
                values.append(float(number))
            there = True
        elif what == "lost":
            session.see(None, there=False)
            if there:
                values.append(None)
            there = False
        elif what == "send" and connected:
            lost_on_the_way = session.due()
            event("sent into a dead connection" if lost_on_the_way else "nothing to send")
            connected = False
            session.vanish()
        elif what == "tell" and connected:
            session.tell()
        elif what == "rebirth" and connected:
            session.births()
        elif what == "break" and connected:
            connected = False
            session.vanish()
        elif what == "connect" and not connected:
            connected = True
            session.be_born()
    heard = dp_told(session)
    assert heard[-1] == 3.0 == session.host.devices[DEVICE].values["dP"]
    held = [value for value in values if value is not None]
    later = iter(heard)
    assert all(value in later for value in held), (held, heard)


def test_the_time_of_sending_decides_what_is_unsure() -> None:
    session = Session(unsure_s=10.0)
    session.see(0.0)
    session.be_born()
    session.see(1.0)
    assert session.node.next_due(Stamp(100.0, FIRST_UTC_S), FIRST_UTC_S) is not None
    session.node.disconnected(110.1)
    session.connect()
    assert [message.kind for message in session.births()] == ["NBIRTH", "DBIRTH"]
