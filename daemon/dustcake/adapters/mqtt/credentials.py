"""Files that open the connection: the password and the TLS certificates."""

import ssl
from pathlib import Path

from dustcake.adapters.mqtt.causes import SetupFault
from dustcake.adapters.mqtt.settings import TlsFiles


class _TidySocket(ssl.SSLSocket):
    """paho-mqtt forgets a socket whose handshake fails, so it must close itself."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def read_password(path: Path, table: str) -> str:
    """The password in ``path``, without its line end. Read at each connect, so that a changed
    password needs no restart. ``table``: of the settings, for messages.

    Raises ``SetupFault`` when the file cannot be read or is empty.
    """
    try:
        password = path.read_text(encoding="utf-8").rstrip("\r\n")
    except OSError as error:
        raise SetupFault(
            f"{table}.password_file {path}: {error.strerror}",
            "make the file readable for the user the daemon runs as",
        ) from error
    except UnicodeDecodeError as error:
        raise SetupFault(
            f"{table}.password_file {path} is not UTF-8 text", "write the password as plain text"
        ) from error
    if not password:
        raise SetupFault(f"{table}.password_file {path} is empty", "write the password into it")
    return password


def tls_context(files: TlsFiles, table: str) -> ssl.SSLContext:
    """A context that verifies the broker's certificate and its host name, unless told not to.

    Raises ``SetupFault`` when a file is missing, unreadable or not what it should be.
    """
    try:
        context = ssl.create_default_context(
            ssl.Purpose.SERVER_AUTH, cafile=None if files.ca_file is None else str(files.ca_file)
        )
    except (OSError, ssl.SSLError) as error:
        raise SetupFault(
            f"{table}.tls.ca_file {files.ca_file}: {_reason(error)}",
            "name the PEM file of the authority that signed the broker's certificate",
        ) from error
    # From Python 3.13 on the default also refuses certificates without an authority key
    # identifier, which a plant's own small authority often leaves out. Signature, dates and host
    # name are verified by every version alike.
    context.verify_flags &= ~ssl.VERIFY_X509_STRICT
    context.sslsocket_class = _TidySocket
    if not files.verify:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    if files.cert_file is None:
        return context
    try:
        # The empty password stops OpenSSL from asking for one at the terminal.
        context.load_cert_chain(files.cert_file, files.key_file, password="")
    except (OSError, ssl.SSLError) as error:
        raise SetupFault(
            f"{table}.tls.cert_file {files.cert_file}, key_file {files.key_file}: {_reason(error)}",
            "name this client's PEM certificate and its own unencrypted key, both readable for "
            "the user the daemon runs as",
        ) from error
    return context


def _reason(error: OSError) -> str:
    if isinstance(error, ssl.SSLError):
        return error.reason or "not a PEM file"
    return error.strerror or str(error)
