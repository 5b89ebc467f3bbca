"""What people see of a run: table, page, figures, JSON. Nothing here is computed anew."""
