"""What programs may ask: the slot map as JSON, and the address that check-ins are handed to."""

from devices.api.intake import batch_taken, checkins, openapi, source
from devices.api.slot_map import slot_map_json

__all__ = ["batch_taken", "checkins", "openapi", "slot_map_json", "source"]
