"""Reading a trace while what has been read is worked on."""

from concurrent.futures import ThreadPoolExecutor

from dustcake.core.inputs import PollCompleted
from dustcake_lab.traces.columns import BadRow
from dustcake_lab.traces.frames import Samples
from dustcake_lab.traces.sample_columns import Columns

_SINGLE_ROWS = 1000


def ahead(samples: Samples) -> Samples:
    """The same samples, the next of them read in a thread of its own while one is worked on. What
    goes wrong in it is raised here."""
    with ThreadPoolExecutor(1, "trace") as reader:
        following = reader.submit(_some, samples)
        while some := following.result():
            following = reader.submit(_some, samples)
            yield from some


def _some(samples: Samples) -> list[Columns | PollCompleted | BadRow]:
    """Columns, or a number of single rows: to hand over each would cost more than to read it."""
    some = []
    for each in samples:
        some.append(each)
        if isinstance(each, Columns) or len(some) == _SINGLE_ROWS:
            break
    return some
