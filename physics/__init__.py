"""The forward model of Shotwright: what one shot of a capacitor bank does to coil and workpiece.

:func:`simulate_shot` is the entry, :func:`shot_figures` a shorter answer for searches. Everything is SI; the unit
stands at the end of each name.

Glossary
--------
action integral     integral of I^2 dt, what heats a conductor
bank                the charged capacitors with their ESL and ESR
bench               a bank, a switch and leads with their limits
bleed-down          discharge of the bank through a resistor, before anybody comes near
burst               rupture of the coil by its own magnetic pressure
charge voltage      voltage on the bank when the switch closes
coil, turn, layer   the single-use winding round the workpiece; pitch is the axial distance of turns
containment         the barrier that stops the debris
crowbar             a switch or diode that closes across the bank at voltage zero
current zero        the first return of the coil current to zero
debris              the pieces of the coil after burst
flow stress         stress at which a metal yields, here after Johnson and Cook
gap                 metal to metal: rim of the workpiece to the wire's bare surface
leads               everything between bank and coil
reversal            largest reverse voltage of the bank over the charge voltage
series resistance   ESR, of bank, switch or leads
shot                one discharge
shrink ratio        final over initial outer diameter
skin depth          how deep a field of one frequency enters a metal
stored energy       half C V^2
stray inductance    ESL, of bank, switch or leads
switch              closes the loop: an ignitron, a spark gap
time to peak        from closing to the largest current
tolerance           allowed deviation of the final size
workpiece           the part: disc, washer, ring, tube
"""

from physics.kernel_cache import use_folder_for_this_source

use_folder_for_this_source()

from physics.outcome import ShotFigures  # kernels are defined from here on
from physics.result import ShotResult
from physics.shot import Shot, check_shot
from physics.simulate import shot_figures, simulate_shot

__all__ = ["Shot", "ShotFigures", "ShotResult", "check_shot", "shot_figures", "simulate_shot"]
