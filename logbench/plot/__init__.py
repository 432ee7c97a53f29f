"""What is drawn, without a window: traces at every scale, ticks, derived traces, points."""
