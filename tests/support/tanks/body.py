"""What the water of every world must be able to do, so that one life can use any of them."""

from __future__ import annotations

from typing import Protocol


class Body(Protocol):
    """Water, glass, rock and the air close to them."""

    evaporation_w: float
    """What evaporation has taken out in the last step, W."""
    ledger_j: float
    """All heat that has come in so far less all that has gone out, J."""

    @property
    def water_c(self) -> float:
        """The mean of all water, by volume."""
        ...

    def stored_j(self) -> float:
        """Returns the heat in it above 0 degC, J."""
        ...

    def seen_by_heater(self, index: int, share: float) -> float:
        """Returns the temperature at a heater's sensor while it gives `share` of its power."""
        ...

    def seen_by_probe(self, place: int) -> float:
        """Returns the temperature where a probe sits."""
        ...

    def step(
        self,
        dt_s: float,
        room_c: float,
        vapour_pa: float,
        speed_m_s: float,
        covered: bool,
        heaters_w: list[float],
        chiller_w: float,
        lamp_w: float,
        sun_w: float,
        pump_w: float,
        pumping: bool,
    ) -> None:
        """Moves on by `dt_s`, at most 30 s."""
        ...

    def pour(self, litres: float, t_c: float) -> None:
        """Replaces this much water with water of `t_c`."""
        ...

    def settle(self, t_c: float) -> None:
        """Makes everything as warm as `t_c`, before the first step."""
        ...

    def loss_w(self, t_c: float, room_c: float, vapour_pa: float, speed_m_s: float) -> float:
        """Returns what goes to the room while all the water is at `t_c`, without a lid, at rest."""
        ...
