"""From receptions to fixes: copies, senders, beacon intervals, clocks."""
