"""Repairs in the order that costs least under what is believed, visit by visit, with the work of an access shared."""
