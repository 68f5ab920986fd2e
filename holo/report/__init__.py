"""What a person sees: the report of a mask, and the pictures of calibrations."""
