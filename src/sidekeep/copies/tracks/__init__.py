"""What one track of a copy is: where it is cut, how loud, its name and its tags."""
