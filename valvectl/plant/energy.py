"""Where a motor's energy went in a simulated run: a book kept by the simulator, step by step.

Every entry is the mean of force or torque times speed of the same step, so that nothing is put in as a remainder but the dry
friction, which the stick-or-slip projection leaves open: what friction must have taken for the speed to come out as it did.
``EnergyBook.imbalance`` is then the error of the time step; the tests hold it to a thousandth of what went through, and the
dry friction between zero and its level times the way.
"""

from __future__ import annotations

from dataclasses import dataclass

from valvectl.parts.lookup import FloatArray
from valvectl.plant import layout as ix


@dataclass(frozen=True)
class EnergyBook:
    """One leg's energies over a run [J]."""

    drawn: float
    """From the battery's open-circuit voltage by this drive, what the battery and harness lose of it included."""
    battery_loss: float
    """Of ``drawn``, lost in the battery's resistance."""
    harness_loss: float
    """Lost in the harness."""
    electronics: float
    """Taken by the drive's electronics."""
    motor: float
    """From the drive into the motor's terminals, braking counted off."""
    throughput: float
    """The same with braking counted as positive: the yardstick of the imbalance."""
    copper: float
    """Heat of the winding."""
    motor_friction: float
    """Dry and viscous friction of the motor."""
    gear_loss: float
    """Lost in the meshes."""
    contact_loss: float
    """Damped between gears and stem."""
    stem_friction: float
    """Dry friction of stem and ball."""
    stream: float
    """Work against the stream's torque; negative when the stream drove the valve."""
    return_spring: float
    """Work against the return spring, still stored in it; negative when the spring drove the valve."""
    stop: float
    """Lost when the valve hits a stop."""
    stored: float
    """Kinetic, magnetic and elastic energy at the end less that at the start."""
    friction_given: float
    """Sum of what dry friction gave instead of took, in steps in which a speed turns: an error of the time step."""

    @property
    def spent(self) -> float:
        """Sum of all that ``motor`` went into [J]."""
        return (
            self.copper
            + self.motor_friction
            + self.gear_loss
            + self.contact_loss
            + self.stem_friction
            + self.stream
            + self.return_spring
            + self.stop
            + self.stored
        )

    @property
    def imbalance(self) -> float:
        """What is not accounted for between terminals and valve, over the throughput [-]."""
        return (self.motor - self.spent) / self.throughput if self.throughput > 0.0 else 0.0

    @property
    def supply_imbalance(self) -> float:
        """The same between battery and terminals [-]."""
        rest = self.drawn - self.battery_loss - self.harness_loss - self.electronics - self.motor
        return rest / max(self.throughput, abs(self.drawn)) if self.drawn != 0.0 else 0.0


def energy_book(acc: FloatArray) -> EnergyBook:
    """The book from the simulator's sums of one leg, shape (ACC_SIZE,)."""
    return EnergyBook(
        drawn=float(acc[ix.E_DRAWN]),
        battery_loss=float(acc[ix.E_BATTERY]),
        harness_loss=float(acc[ix.E_HARNESS]),
        electronics=float(acc[ix.E_IDLE]),
        motor=float(acc[ix.E_MOTOR]),
        throughput=float(acc[ix.E_THROUGH]),
        copper=float(acc[ix.E_COPPER]),
        motor_friction=float(acc[ix.E_MOTOR_FRICTION]),
        gear_loss=float(acc[ix.E_GEAR]),
        contact_loss=float(acc[ix.E_CONTACT]),
        stem_friction=float(acc[ix.E_STEM_FRICTION]),
        stream=float(acc[ix.E_STREAM]),
        return_spring=float(acc[ix.E_RETURN]),
        stop=float(acc[ix.E_STOP]),
        stored=float(acc[ix.E_STORED]),
        friction_given=float(acc[ix.E_GIVEN]),
    )
