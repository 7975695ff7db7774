"""Loss of a spur gear mesh by sliding of its teeth, from tooth numbers, contact ratio and a friction coefficient.

Loss = mu H with the loss factor H [-]; efficiency 1 - mu H of the input power. Bearings, seals and churning are not in it.
z2 of an internal ring is negative, which makes the loss smaller. ``share_1`` and ``share_2`` are the parts of the contact ratio
between pitch point and tip of each gear (``gear_teeth.addendum_contact_ratio``).

Friction coefficients, common practice, no source: oiled steel 0.04 to 0.08, greased 0.06 to 0.12, dry or dry film 0.1 to 0.2;
at breakaway about 1.5 times as much.
"""

from __future__ import annotations

import math


def loss_factor(teeth_1: float, teeth_2: float, share_1: float, share_2: float) -> float:
    """Loss factor H [-]: pi (1/z1 + 1/z2) (1 - eps + eps1^2 + eps2^2), eps = eps1 + eps2 between 1 and 2.

    Two pairs in contact share the load evenly, one pair carries it alone. Niemann and Winter, Maschinenelemente II;
    ISO/TR 14179-2 (from memory; derived anew in tests/crosscheck by adding up sliding along the path of contact).
    """
    shape = 1.0 - share_1 - share_2 + share_1**2 + share_2**2
    return math.pi * abs(1.0 / teeth_1 + 1.0 / teeth_2) * shape


def loss_factor_even(teeth_1: float, teeth_2: float, share_1: float, share_2: float) -> float:
    """Loss factor H [-] with the load spread evenly over the whole path: pi (1/z1 + 1/z2) (eps1^2 + eps2^2)/(eps1 + eps2).

    Buckingham, Analytical Mechanics of Gears (from memory). For any contact ratio; equal to ``loss_factor`` at a contact ratio
    of 1 and above it beyond.
    """
    return math.pi * abs(1.0 / teeth_1 + 1.0 / teeth_2) * (share_1**2 + share_2**2) / (share_1 + share_2)


def mesh_efficiency(friction: float, factor: float) -> float:
    """Efficiency [-] with the pinion driving: 1 - mu H, not below zero. Good while mu H is small against one.

    Driven from the wheel the same friction acts; ``gearing.backdrive_default`` gives that efficiency.
    """
    return max(0.0, 1.0 - friction * factor)
