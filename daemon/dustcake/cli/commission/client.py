"""Talking to the daemon about the commissioning of one collector."""

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from dustcake.adapters.local_client import ask

EVERY_S = 0.2
"""Between two looks at what is under way."""

Content = dict[str, Any]


class CommissionClient:
    """The daemon at ``socket``, about ``collector``. Every method raises NoDaemonError."""

    def __init__(self, socket: Path, collector: str) -> None:
        self._socket = socket
        self._collector = collector

    def _ask(self, **question: object) -> Content:
        line = json.dumps({"collector": self._collector, **question}).encode()
        answer: Content = json.loads(ask(self._socket, line))
        return answer

    def view(self) -> Content:
        """All there is to show; a record is begun where there is none."""
        view: Content = self._ask(commission="show")["view"]
        if view["record"] is None:
            view = self.begin()["view"]
        return view

    def begin(self) -> Content:
        """Begin a new record."""
        return self._ask(commission="begin")

    def record(self) -> bytes | None:
        """The record as it is stored; None where there is none."""
        answer = self._ask(commission="record")
        return answer["record"].encode() if answer["accepted"] else None

    def do(
        self,
        step: str,
        action: str,
        fields: Content,
        on_progress: Callable[[Content], None] = lambda view: None,
    ) -> Content:
        """Do something, and wait for what comes of it: ``accepted``, ``reason``, ``entry``.
        ``on_progress`` is shown the view meanwhile."""
        before = self.view()["record"]["entries"]
        answer = self._ask(commission="do", step=step, action=action, fields=fields)
        done = {"step": step, "action": action, "entry": None}
        if not answer["accepted"]:
            return {**done, "accepted": False, "reason": answer["reason"]}
        view = answer["view"]
        while view["under_way"] is not None or view["record"]["entries"] == before:
            on_progress(view)
            time.sleep(EVERY_S)
            view = self._ask(commission="show")["view"]
        found = next(one for one in view["steps"] if one["step"] == step)
        entries = [one for one in found["entries"] if one["action"] == action]
        return {**done, "accepted": True, "reason": "done", "entry": entries[-1]}
