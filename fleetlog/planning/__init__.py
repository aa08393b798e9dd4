"""What will fail, what to repair ahead, when, and what it saves."""
