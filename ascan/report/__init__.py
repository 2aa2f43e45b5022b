"""What people read: pictures, and the cautions that stand beside every number."""
