"""Rules of the connection to the broker."""

from collections.abc import Iterator

from dustcake.settings.checks.ref import ref
from dustcake.settings.problems import Problem
from dustcake.settings.service import Mqtt


def broker_problems(mqtt: Mqtt) -> Iterator[Problem]:
    """A connection others could read or forge, and credentials that are not complete."""
    host, tls = ref(mqtt, "mqtt", "host"), mqtt.tls
    username, password_file = (ref(mqtt, "mqtt", name) for name in ("username", "password_file"))
    if tls is None and not mqtt.is_local and not mqtt.allow_plaintext:
        remedy = (
            "add a table [mqtt.tls]; an empty one is enough where the broker's certificate is "
            "publicly trusted; on a network you trust write allow_plaintext = true instead"
        )
        allowed = "a broker on this machine, as TLS is off"
        yield host.problem(allowed, remedy, ref(mqtt, "mqtt", "tls"))
    if tls is not None and (tls.cert_file is None) != (tls.key_file is None):
        missing, given = ("cert_file", "key_file")[:: 1 if tls.cert_file is None else -1]
        absent, present = ref(tls, "mqtt.tls", missing), ref(tls, "mqtt.tls", given)
        remedy = f"add it, or remove {given}"
        yield absent.problem(f"an absolute path, as {given} is given", remedy, present)
    if mqtt.password_file is not None and mqtt.username is None:
        remedy = "add the user name the password belongs to, or remove password_file"
        yield username.problem("a user name, as password_file is given", remedy, password_file)
    known = mqtt.password_file is not None or (tls is not None and tls.cert_file is not None)
    if mqtt.requests_enabled and not mqtt.is_local and not known:
        requests = ref(mqtt, "mqtt", "requests_enabled")
        allowed = "false, as the broker would not know who this daemon is"
        remedy = "give username and password_file, or tls.cert_file and tls.key_file; or set false"
        yield requests.problem(allowed, remedy, password_file, host)
