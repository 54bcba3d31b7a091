"""The page of `coldpin plan`: questions as controls, beside them the rehearsed hot days."""
