"""Who is followed: repairs, events and scores, from the sheets a study team has."""
