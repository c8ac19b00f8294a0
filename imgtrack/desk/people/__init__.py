"""Who works on a study, how they prove it, and what the database lets them do."""
