"""How often a diagnosis is right, on items whose faults are known because they were put in."""
