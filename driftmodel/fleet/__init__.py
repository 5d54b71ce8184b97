"""A fleet's regrades: from units and physics to months of jobs, parts, hours and money, corrected by claims."""
