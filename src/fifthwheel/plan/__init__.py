"""The electronics plan: whether controllers, buses, tasks, link, card, pins, wires and supply can do what is asked."""
