"""`defectscan check`: can these photos be measured, and what to change at the car."""
