"""Pure wording: what a step means to plant SCADA, as topics and payloads."""
