"""What happens to what arrives: land, derive, judge, join, show."""
