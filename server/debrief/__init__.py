"""The debrief: what happened, as things that people keep and send."""
