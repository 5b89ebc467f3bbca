"""What a simulated bench is made of: the tables of the file that describes it."""
