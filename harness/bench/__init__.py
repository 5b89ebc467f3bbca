"""What procedures drive: the Bench, the production bench, and what they are made of."""
