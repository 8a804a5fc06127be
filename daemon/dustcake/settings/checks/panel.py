"""Rules of the panel."""

from collections.abc import Iterator

from dustcake.settings.checks.ref import ref
from dustcake.settings.errors import Problem
from dustcake.settings.services import Panel


def panel_problems(panel: Panel) -> Iterator[Problem]:
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
