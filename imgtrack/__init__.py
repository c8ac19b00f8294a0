"""Follow-up, blinded reading and retear rates of repaired rotator cuffs."""
