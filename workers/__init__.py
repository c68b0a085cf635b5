"""What happens with nobody asking: bells, deliveries, pushes."""
