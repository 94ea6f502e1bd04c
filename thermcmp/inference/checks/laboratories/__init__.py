"""How laboratories agree: their offsets, evidence of several kinds, and small tests."""
