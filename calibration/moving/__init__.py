"""A board that is carried all the time: its track in each camera, the clocks from it, and views of it."""
