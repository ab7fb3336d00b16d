"""What the next year will need: work, visits, parts, hours, money; how last year's forecast did.

`next_visits` has the visits, parts and labour of the month by the action list, `ahead` the work,
`simulate` the year many times over, `prices` what work costs here. Forecasts of use are by the
method that `wearbar.usage.backtest` chose, widened as it found.

>>> from wearbar.outlook.parts import packs
>>> packs(2.3, 1.0).item()  # cans of a litre
3.0
"""

from wearbar.outlook.lastyear import last_year
from wearbar.outlook.next_visits import each_visit, labour, parts_needed, visits_ahead
from wearbar.outlook.parts import order_list
from wearbar.outlook.visits import plan_of_visits, shown_visits
from wearbar.outlook.year import by_month, by_site, by_task, draws_of, next_work, outlook_of, totals
