"""Mapping profiles: files whose columns and words are not those of the dictionary."""

from fleetlog.intake.profiles.profile import Profile, chosen

__all__ = ["Profile", "chosen"]
