"""What the measures mean: profiles, evidence, rules and advice. Nothing here reads a picture."""

from clawvision.findings.assess import assess_feet
from clawvision.findings.book import RuleBook, load_rules
from clawvision.findings.profiles import DEFAULT_PROFILE, Profile, ProfileValue, choose_profile, load_profiles

__all__ = [
    "DEFAULT_PROFILE",
    "Profile",
    "ProfileValue",
    "RuleBook",
    "assess_feet",
    "choose_profile",
    "load_profiles",
    "load_rules",
]
