"""The stand-in for the bench: bed, operator, meter, wire. Knows neither rinsewatch nor its drivers."""
