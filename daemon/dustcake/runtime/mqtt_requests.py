"""Requests that come in over MQTT in plain mode: from whom, whether they may, and the reply."""

from collections.abc import Callable

from dustcake.adapters.mqtt import Incoming
from dustcake.core.reasons import Because, because
from dustcake.core.requests.definitions import Level
from dustcake.core.requests.kinds import Identity
from dustcake.ports import Clock
from dustcake.publish.request_json import read_request
from dustcake.publish.topics import Topics
from dustcake.runtime.allowance import Allowance, Allowed
from dustcake.runtime.answering import Answering, Asker, Sent
from dustcake.settings.services import Mqtt

Reply = Callable[[str, bytes, bytes | None], None]


class MqttRequests:
    """Those to one collector. The topic says the level and who asks; that it is really they is for
    the broker's access rules to see to, and ``names_checked`` says that they do."""

    def __init__(self, mqtt: Mqtt, topics: Topics, answering: Answering, clock: Clock) -> None:
        self._topics = topics
        self._answering = answering
        self._clock = clock
        self._checked = mqtt.names_checked
        self._holds_s = mqtt.request_expiry_s
        self._allowance = Allowance(mqtt.requests_per_minute)
        levels = {Level.ACKNOWLEDGE: mqtt.requests_enabled, Level.ADJUST: mqtt.requests_adjust}
        self.filters = tuple(topics.requests(level) for level, taken in levels.items() if taken)
        """Topic filters to listen to."""

    async def __call__(self, incoming: Incoming, reply: Reply) -> None:
        """Answer one, always."""
        level, name = self._topics.asked_by(incoming.topic)
        identity = Identity.AUTHENTICATED if self._checked else Identity.CLAIMED
        asker = Asker(f"mqtt:{name}", identity, level, self._topics.requests(Level.ADJUST))
        reply(
            incoming.response_topic or self._topics.reply(name),
            await self._answer(incoming, asker),
            incoming.correlation_data,
        )

    def busy(self, incoming: Incoming, reply: Reply) -> None:
        """Too many wait already."""
        _, name = self._topics.asked_by(incoming.topic)
        words = self._answering.refuse_unrecorded(because(Because.BUSY))
        reply(incoming.response_topic or self._topics.reply(name), words, incoming.correlation_data)

    async def _answer(self, incoming: Incoming, asker: Asker) -> bytes:
        asked = read_request(incoming.payload, incoming.correlation_data)
        # A name that is only claimed can be another each time.
        source = asker.by if self._checked else ""
        allowed = self._allowance.take(source, self._clock.now().mono_s)
        if allowed is not Allowed.YES:
            too_many = because(Because.TOO_MANY, per_minute=self._allowance.per_minute)
            if allowed is Allowed.NO:
                return self._answering.refuse_unrecorded(too_many, asked.request_id or "")
            return await self._answering.answer(asked, asker, refusal=too_many)
        sent = Sent(incoming.retained, incoming.expiry_s, self._holds_s)
        return await self._answering.answer(asked, asker, sent)
