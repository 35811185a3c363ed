//! Single readings at the edge.
