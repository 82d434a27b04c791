"""What happens when something fails: each fault's current, energy and what it demands, before anybody charges."""

from physics.faults.fault_shots import fault_shots

__all__ = ["fault_shots"]
