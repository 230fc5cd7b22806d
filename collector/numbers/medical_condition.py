"""What of a person the configuration may name, by itself: every command reads the configuration, few reckon."""

from enum import StrEnum


class MedicalCondition(StrEnum):
    """What of a person changes the rules."""

    ATRIAL_FIBRILLATION = "atrial fibrillation"
    KIDNEY_DISEASE = "kidney disease"
    DIABETES = "diabetes"
