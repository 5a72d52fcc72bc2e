"""The order of checks for a complaint: followed as a tree, written as Mermaid text or as SVG."""
