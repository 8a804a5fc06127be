"""Pure wording: what a step means to plant SCADA and to people. Nothing here acts or keeps time.

Plain mode: ``render`` makes publications of a state and its events, of what ``payloads`` and
``life_and_air`` word, on ``topics``; ``request_json`` reads requests and words answers;
``messages`` describes it all to programs. Beside it stand ``sparkplug``, ``plc`` and ``metrics``.

For people: ``wording`` puts reasons and numbers into the units they chose, ``event_sentences`` says
what happened, ``alarm_texts`` what to do, ``alarm_manual`` prints the alarms, and ``alarm_metrics``
counts whether they are too many.
"""
