"""The panel: a page for people, served by the daemon. Only its modules ``web`` and ``server``
import the web libraries, so that all else works without the extra `panel`."""
