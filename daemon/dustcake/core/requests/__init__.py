"""What people and plant SCADA may request, and what becomes of it."""
