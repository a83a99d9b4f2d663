"""What the data mean: tables and numbers in, frozen records out. No file, clock or register."""
