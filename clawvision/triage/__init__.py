"""Photos that arrive in a folder: measured as they come, put in order of urgency, and answered in plain words."""

from clawvision.triage.rounds import Told, Triage, TriageSettings

__all__ = ["Told", "Triage", "TriageSettings"]
