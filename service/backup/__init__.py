"""Back-ups: made while the shop runs, kept by age, and brought back whole or not at all."""
