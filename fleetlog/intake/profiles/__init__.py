"""Mapping profiles: files whose columns and words are not those of the dictionary."""

from fleetlog.intake.profiles.files import profile_text, read_profile, read_profiles, write_profile
from fleetlog.intake.profiles.profile import Profile, choose_profile
from fleetlog.intake.profiles.proposal import ColumnMatch, Proposal, WordMatch, propose

__all__ = [
    "ColumnMatch",
    "Profile",
    "Proposal",
    "WordMatch",
    "choose_profile",
    "profile_text",
    "propose",
    "read_profile",
    "read_profiles",
    "write_profile",
]
