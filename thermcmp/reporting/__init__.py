"""Tables, figures and one HTML file that holds a whole report."""
