"""imgtrack: did the repaired rotator cuff heal?"""
