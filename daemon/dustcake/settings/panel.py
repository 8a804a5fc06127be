"""Settings of the panel, the page the daemon serves."""

from pydantic import Field

from dustcake.settings.base import Host, SecretFile, Section, is_loopback


class PanelTls(Section):
    """TLS of the panel."""

    cert_file: SecretFile
    """PEM file of the certificate that browsers are shown, with those that lead to its
    authority."""
    key_file: SecretFile
    """PEM file of the key that belongs to it."""


class Panel(Section):
    """A page with what the collectors do, and for who has the right to, with what can be asked of
    them. Needs the extra `panel`. Leave the table out to have none."""

    host: Host = "127.0.0.1"
    """Address to listen at. Other than of this machine only with `users_file`, and with `tls` or
    `allow_plaintext`. `0.0.0.0`: all addresses."""
    port: int = Field(default=8470, ge=1, le=65535)
    """TCP port."""
    users_file: SecretFile | None = None
    """Absolute path of the file of users, written by `dustcake users`. Left out: nobody can
    sign in, and the panel only shows."""
    open_view: bool = True
    """At an address of this machine, show everything without signing in. Set it to false behind a
    reverse proxy. At another address one has to sign in whatever stands here."""
    session_h: float = Field(default=12.0, ge=0.1, le=24 * 31)
    """How long somebody stays signed in."""
    tls: PanelTls | None = None
    """TLS; needed at an address of another network than this machine's own."""
    allow_plaintext: bool = False
    """Allow that without TLS: everybody on the network can then read passwords."""
    charts_dir: SecretFile = "/var/lib/dustcake/panel-charts"
    """Absolute path of the directory where `deploy/panel-charts.sh` has put the charting library.
    Without it the panel draws plain trends."""

    @property
    def is_local(self) -> bool:
        """Whether only this machine can reach it."""
        return is_loopback(self.host)

    @property
    def shows_to_all(self) -> bool:
        """Whether it shows everything to whoever reaches it."""
        return self.open_view and self.is_local
