"""How long parts live, and how often faults and repairs recur."""
