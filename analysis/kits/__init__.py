"""How well kits measure: shared references, duplicates, blanks, check standards, nitrite, and corrections beside."""
