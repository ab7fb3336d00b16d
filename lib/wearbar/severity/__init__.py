"""Does hard use wear parts faster, and how much sooner must the work then be done?

What is estimated: the ratio of the wear rate were the same item, at the same position of the same
kind of vehicle at the same site, run at a share of hard use 0.10 higher, other use as it was.
Vehicles are independent, parts of one are not. Where the log cannot tell, the effect is refused and
says why. Site, kind, item and position are adjusted for; what hard use leads to (reason and age at
removal, repairs) is not. Advice only ever brings work forward."""

from wearbar.severity.evidence import NONE, STEP, Effect, e_value
from wearbar.severity.fit import effect, effects
