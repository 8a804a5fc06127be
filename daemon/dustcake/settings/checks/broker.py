"""Rules of the connection to the broker."""

from collections.abc import Iterator

from dustcake.settings.checks.ref import ref
from dustcake.settings.errors import Problem
from dustcake.settings.services import Broker


def broker_problems(broker: Broker, path: str) -> Iterator[Problem]:
    """A connection others could read or forge, and credentials that are not complete. ``path``:
    the table ``broker`` stands in."""
    tls = broker.tls
    username, password_file = (ref(broker, path, name) for name in ("username", "password_file"))
    if tls is None and not broker.is_local and not broker.allow_plaintext:
        remedy = (
            f"add a table [{path}.tls]; an empty one is enough where the broker's certificate is "
            "publicly trusted; on a network you trust write allow_plaintext = true instead"
        )
        allowed = "a broker on this machine, as TLS is off"
        yield ref(broker, path, "host").problem(allowed, remedy, ref(broker, path, "tls"))
    if tls is not None and (tls.cert_file is None) != (tls.key_file is None):
        missing, given = ("cert_file", "key_file")[:: 1 if tls.cert_file is None else -1]
        absent, present = ref(tls, f"{path}.tls", missing), ref(tls, f"{path}.tls", given)
        remedy = f"add it, or remove {given}"
        yield absent.problem(f"an absolute path, as {given} is given", remedy, present)
    if broker.password_file is not None and broker.username is None:
        remedy = "add the user name the password belongs to, or remove password_file"
        yield username.problem("a user name, as password_file is given", remedy, password_file)


def commands_problems(broker: Broker, path: str, setting: str) -> Iterator[Problem]:
    """Requests taken from a broker that would not know who this daemon is. ``setting`` enables
    them."""
    tls = broker.tls
    known = broker.password_file is not None or (tls is not None and tls.cert_file is not None)
    if getattr(broker, setting) and not broker.is_local and not known:
        enabled, host = ref(broker, path, setting), ref(broker, path, "host")
        allowed = "false, as the broker would not know who this daemon is"
        remedy = "give username and password_file, or tls.cert_file and tls.key_file; or set false"
        yield enabled.problem(allowed, remedy, ref(broker, path, "password_file"), host)
