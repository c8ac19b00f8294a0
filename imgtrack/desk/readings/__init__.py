"""What readers and adjudicators say: drafts, signatures, amendments, verdicts."""
