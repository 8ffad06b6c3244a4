"""What a coach decides by: facts of a player's visits, the evidence sheet, progress; pure."""
