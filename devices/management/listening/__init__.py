"""The listener for panels that report by DC-09 frames: sockets, limits, and the one thread that writes."""
