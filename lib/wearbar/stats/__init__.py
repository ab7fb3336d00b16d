"""How long parts last, from lives of which most have not ended: curves, and Weibull fits.

Functions take `duration` (> 0, any unit), `observed` (True where the end was seen) and `entry`, the
duration already run when it came under observation (None or 0: watched from new). Censoring is
taken to say nothing about the life: one taken off because it was nearly worn breaks that."""

from wearbar.stats.weibull import WeibullFit, fit_groups, fit_weibull, kaplan_meier, life_of
