"""A campaign before fuel is burnt: runs needed, order, window, run sheets; and one under way: what is still needed."""
