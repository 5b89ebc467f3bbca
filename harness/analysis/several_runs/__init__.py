"""What several runs tell together: cables by the metre, single adapters, delay."""
