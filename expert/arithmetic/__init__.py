"""The arithmetic of the trade: leak rates, drops, growth with heat, rings, ageing and bolts. All as ranges."""
