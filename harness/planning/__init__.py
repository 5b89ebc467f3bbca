"""Before anything is measured: plans, proofs, expected losses."""
