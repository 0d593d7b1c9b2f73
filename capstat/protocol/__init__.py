"""What a ramp policy does to patients with given thresholds, and what would follow from another one."""

from capstat.protocol.policy import RampPolicy
from capstat.protocol.policy_parts import NO_MARGIN, Direction, Margin, MarginUnit, Reposition
from capstat.protocol.policy_problems import policy_problems

__all__ = [
    "NO_MARGIN",
    "Direction",
    "Margin",
    "MarginUnit",
    "RampPolicy",
    "Reposition",
    "policy_problems",
]
