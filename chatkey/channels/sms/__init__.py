"""Text messages: few letters, few septets, and words that the network itself obeys."""
