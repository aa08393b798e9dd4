"""Seed and number of draws of questions with random steps, unless told otherwise; answers state both."""

from __future__ import annotations

SEED = 20_260_101
DRAWS = 200
"""Draws of the bootstrap over machines."""
