"""Classical statistics of series: control charts with their run lengths, trend, autocorrelation."""
