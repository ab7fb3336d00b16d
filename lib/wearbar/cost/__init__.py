"""What vehicles cost: money and distance, fuel, repairs by age, and when to replace."""
