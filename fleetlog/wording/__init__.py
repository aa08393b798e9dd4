"""Reading notes from the workshop: parts, steps, sides and findings, by a dictionary to be added to."""

from fleetlog.wording.dictionary import Dictionary, load_dictionary
from fleetlog.wording.suggestion import FIELDS, Suggestion
from fleetlog.wording.told import all_told, read_note

__all__ = ["FIELDS", "Dictionary", "Suggestion", "all_told", "load_dictionary", "read_note"]
