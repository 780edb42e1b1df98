"""Recording a live bus to a candump file. It only listens: nothing here can put a frame on a bus."""
