"""Hardware and firmware of a simulated campaign."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


class BuildLike(Protocol):
    """The attributes of a build that the truth needs; `thermcmp.Build` has them.

    Attributes
    ----------
    cooler_model, board_model : str
        Models of the two parts.
    firmware, memory_vendor, assembly_kind : str or None
        None where not stated.
    """

    @property
    def cooler_model(self) -> str:
        """Model of the cooler."""

    @property
    def board_model(self) -> str:
        """Model of the board."""

    @property
    def firmware(self) -> str | None:
        """Firmware of the card."""

    @property
    def memory_vendor(self) -> str | None:
        """Maker of the memory."""

    @property
    def assembly_kind(self) -> str | None:
        """Who mounted the cooler."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedBuild:
    """A product of the campaign as shipped.

    Attributes
    ----------
    product : str
        Name of the product.
    cooler_model, board_model : str
        Models of the two parts.
    firmware : str
        Firmware that it ships with.
    memory_vendor : str, optional
        Memory vendor; None where the product comes with several.
    assembly_kind : str
        "factory".
    """

    product: str
    cooler_model: str
    board_model: str
    firmware: str
    memory_vendor: str | None = None
    assembly_kind: str | None = "factory"

    @property
    def name(self) -> str:
        """Product and firmware, as in "Alder r1 / fw 1"."""
        return f"{self.product} / {self.firmware}"


@dataclass(frozen=True, slots=True)
class StockSetting:
    """Fan speed and power of a firmware in a stock run.

    Attributes
    ----------
    fan_rpm : float
        Fan speed at which it settles [rpm].
    power_w : float
        Board power it allows [W].
    """

    fan_rpm: float
    power_w: float
