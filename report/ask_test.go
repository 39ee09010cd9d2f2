package report

// Fleet reports every machine at a glance. open holds the matters that stand,
// worst first.
func Fleet(s Source, open []Matter) FleetReport {
	var rows []FleetRow
	for range s.Rows(&rows) {
	}
	return FleetOf(s.AsOf, rows, open)
}

// Rates works out rates from the fleet's records.
func Rates(s Source, q RateQuestion) (RatesReport, error) {
	if err := q.Validate(); err != nil {
		return RatesReport{}, err
	}
	return RatesOf(s.AsOf, s.Index, Strata(s), q)
}
