"""What warms and cools the water beside its heater: the room, and the lamp."""
