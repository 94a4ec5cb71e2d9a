"""What carries readings and captures outward."""
