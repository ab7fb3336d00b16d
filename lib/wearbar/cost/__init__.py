"""What vehicles cost: the account of money and distance, cost a distance, fuel, repairs by age, and the cheapest age to replace at."""
