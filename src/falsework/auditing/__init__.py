"""What a machine program will really print: its strands, and what lies beneath each."""
