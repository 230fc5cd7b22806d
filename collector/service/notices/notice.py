"""A notice: one thing that wants somebody's attention until it is over."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

CAUTION = (
    "quietcuff is no alarm system: a notice may come late or never. It does not watch over anybody. With chest "
    "pain, breathlessness, weakness, trouble speaking or seeing, call your local emergency number."
)


@dataclass(frozen=True, slots=True)
class Notice:
    """topic and subject name it for as long as it stands; text: what is so, without any name or value of a person.

    personal: the same with names and values; detail: as data. Both leave this machine only where the
    configuration allows it.
    """

    topic: str  # 'battery', 'very high', …
    subject: str  # a cuff's address, a folder, '' for the whole service
    text: str
    remedy: str
    personal: str = ""
    detail: Mapping[str, Any] = field(default_factory=dict)

    @property
    def key(self) -> str:
        return f"{self.topic}/{self.subject}" if self.subject else self.topic

    def words(self, personal: bool) -> str:
        return (self.personal if personal else "") or self.text
