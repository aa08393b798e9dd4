"""What is believed of cases and parts: the chance of each cause, and the lives that follow from it."""
