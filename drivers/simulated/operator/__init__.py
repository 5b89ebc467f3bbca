"""The simulated operator, who connects things in time, and not always well."""
