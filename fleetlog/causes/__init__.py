"""Which fault stands on which machine and side, why, and what to do next."""
