"""One leg of a design with its servo as python-control objects."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import PrivateAttr

from valvectl.design.schema import Leg, LegName
from valvectl.errors import DesignError, Fault

if TYPE_CHECKING:
    from valvectl.parts.controller import CascadeGains
    from valvectl.plant.servo_numbers import Servo
    from valvectl.servo.sampled import Discrete, Place
    from valvectl.studies.analysis import Analysis


class ServoLeg(Leg):
    """What the design file says of a leg, and its servo handed out as ``control.StateSpace``, each with its sample period
    (``dt``) and named signals. All are of the linear machine: no dry friction, gap closed, no limits, no quantisation.

    ``at`` is where a loop is cut: ``position``, ``speed``, ``current``, or ``outer``, the place outside the position loop
    (see ``valvectl.servo.transfers``). Loops inside stay closed, loops outside are open.
    """

    _name: LegName = PrivateAttr()
    _of: Any = PrivateAttr()

    @classmethod
    def of(cls, leg: Leg, name: LegName, design: Any) -> ServoLeg:
        """A leg of a design that has an ``analysis``."""
        made = cls.model_construct(**dict(leg))
        made._name, made._of = name, design
        return made

    def plant(self) -> Any:
        """The actuator in continuous time: ``voltage`` [V] and ``load`` [N m] to its states (current [A], speeds [rad/s] and
        angles [rad] of motor over ratio and of stem)."""
        from valvectl.plant.linear import actuator

        return actuator(self._analysis.machine, self._name)

    def loop(self, at: Place = "position") -> Any:
        """Loop gain L(z) at a place, error to measurement; at ``outer`` without a trim command to stem angle."""
        from valvectl.servo.transfers import loop_gain

        return self._handed(loop_gain(self._servo, self._gains, self._place(at)), f"loop_{at}")

    def sensitivity(self, at: Place = "position") -> Any:
        """S(z) = 1/(1 + L): set-point to error at a place."""
        from valvectl.servo.transfers import sensitivity

        return self._handed(sensitivity(self._servo, self._gains, self._place(at)), f"sensitivity_{at}")

    def complementary(self, at: Place = "position") -> Any:
        """T(z) = L/(1 + L): noise on the measurement to what is measured, sign taken out."""
        from valvectl.servo.transfers import complementary

        return self._handed(complementary(self._servo, self._gains, self._place(at)), f"complementary_{at}")

    def closed_loop(self, at: Place = "outer") -> Any:
        """Command, noise on the measurement and load torque to measurement, stem and motor angle, stem speed and current.

        ``outer``: everything closed. Units and meaning of each signal: ``valvectl.servo.transfers.transfers``.
        """
        from valvectl.servo.transfers import transfers

        return self._handed(transfers(self._servo, self._gains, self._place(at)), f"closed_{at}")

    def _handed(self, system: Discrete, name: str) -> Any:
        made = system.to_control()
        made.name = f"{self._name}_{name}"
        return made

    @property
    def _analysis(self) -> Analysis:
        return self._of.analysis  # type: ignore[no-any-return]

    @property
    def _servo(self) -> Servo:
        return self._analysis.machine.legs[self._name].servo

    @property
    def _gains(self) -> CascadeGains:
        return self._analysis.gains[self._name]

    def _place(self, at: Place) -> Place:
        from valvectl.servo.structures import loops_of

        places = ("outer", *loops_of(self._servo))
        if at not in places:
            raise DesignError(Fault(f"a loop of this leg is cut at one of {', '.join(places)}", got=str(at)))
        return at
