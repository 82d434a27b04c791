"""Physical constants used throughout."""

from math import pi

#: Vacuum permeability, H/m. The classical 4 pi 1e-7; CODATA 2022 differs by 1.3e-10.
MU_0 = 4e-7 * pi

#: Temperature of everything before the shot, K (20 degC, where handbook resistivities are stated).
AMBIENT_K = 293.15

#: Share of plastic work that turns into heat (Taylor & Quinney, Proc. R. Soc. A 143 (1934) 307:
#: 0.85-0.95 for copper and steel at large strain; 0.9 is the customary value. From memory, high).
TAYLOR_QUINNEY = 0.9

#: Fracture energy of copper per fracture surface, J/m^2, in Grady and Kipp's fragment length
#: (Grady & Kipp 1985; formula from memory, med; the value is the order used with it, assumed).
FRACTURE_ENERGY_J_PER_M2 = 4.0e4

#: Sum of anode and cathode fall of an arc between copper pieces, V (20-40 V; from memory, med).
ARC_FALL_V = 30.0

#: Voltage at which each short arc between copper pieces strikes again after its current has come to zero, V.
#: "Several hundred volts" for brass, copper, zinc, iron: Restriking of Short A. C. Arcs (abstract read; Todd & Browne,
#: Phys. Rev. 36 (1930) 732, from memory); 250 V for copper from memory, medium.
ARC_RELIGHTING_V = 250.0

#: Gradient of a long arc in free air at kiloamperes, V/m (Strom, AIEE Trans. 65 (1946) 113:
#: 34 V/in = 13.4 V/cm; from memory, high).
ARC_GRADIENT_V_PER_M = 1340.0

#: Rompe and Weizel's constant of a spark in air at one bar, m^2/(V^2 s): R = d / sqrt(2 a integral of i^2 dt)
#: (Z. Phys. 122 (1944) 636; 0.5-2e-4 are quoted; from memory, medium).
ROMPE_WEIZEL_M2_PER_V2_S = 1.0e-4
