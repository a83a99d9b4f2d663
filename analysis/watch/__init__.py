"""What a running trial asks of people: what is due, late or missing, and what the animals or the comparison need."""
