"""Rules of the connections to brokers, and of the panel."""

from collections.abc import Iterator

from dustcake.settings.checks.ref import ref
from dustcake.settings.errors import Problem
from dustcake.settings.model import Settings
from dustcake.settings.services import Broker, Panel


def service_problems(settings: Settings) -> Iterator[Problem]:
    """Problems of what the daemon connects to or serves."""
    for broker, path, what in (
        (settings.mqtt, "mqtt", "requests"),
        (settings.sparkplug, "sparkplug", "commands"),
    ):
        if broker is not None:
            yield from _broker(broker, path)
            yield from _commands(broker, path, f"{what}_enabled")
            yield from _commands(broker, path, f"{what}_adjust")
    if settings.panel is not None:
        yield from _panel(settings.panel)


def _broker(broker: Broker, path: str) -> Iterator[Problem]:
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


def _commands(broker: Broker, path: str, setting: str) -> Iterator[Problem]:
    """Requests taken from a broker that would not know who this daemon is. ``setting`` enables
    them."""
    tls = broker.tls
    known = broker.password_file is not None or (tls is not None and tls.cert_file is not None)
    if getattr(broker, setting) and not broker.is_local and not known:
        enabled, host = ref(broker, path, setting), ref(broker, path, "host")
        allowed = "false, as the broker would not know who this daemon is"
        remedy = "give username and password_file, or tls.cert_file and tls.key_file; or set false"
        yield enabled.problem(allowed, remedy, ref(broker, path, "password_file"), host)


def _panel(panel: Panel) -> Iterator[Problem]:
    """A page that others on the network could use without a password, or listen in to."""
    host, users = ref(panel, "panel", "host"), ref(panel, "panel", "users_file")
    if panel.is_local:
        if not panel.open_view and panel.users_file is None:
            opened = ref(panel, "panel", "open_view")
            remedy = "add users_file, or set open_view = true"
            yield opened.problem("true, as nobody can sign in", remedy, users)
        return
    if panel.users_file is None:
        remedy = "add users_file, and users with `dustcake users add`; or use 127.0.0.1"
        yield host.problem("an address of this machine, as there are no users", remedy, users)
    if panel.tls is None and not panel.allow_plaintext:
        remedy = (
            "add a table [panel.tls] with cert_file and key_file; on a network you trust write "
            "allow_plaintext = true instead"
        )
        tls = ref(panel, "panel", "tls")
        yield host.problem("an address of this machine, as TLS is off", remedy, tls)
