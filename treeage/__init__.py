"""treeage: ages and establishment dates of cored trees, with honest intervals."""
