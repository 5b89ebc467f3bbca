"""What is done at the bench, in what order, how often: one short function each."""
