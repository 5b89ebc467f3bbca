"""What people see. Nothing here is computed anew."""
