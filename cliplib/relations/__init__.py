"""What follows from the order and times of an exchange's actions."""
