#!/bin/sh
# An instrument for socat: answers SCPI queries from a table, one line each. What it
# does not know stays unanswered and is kept in the error queue.
error='+0,"No error"'
while IFS= read -r query; do
	case $(printf %s "$query" | tr -d '\r') in
	'*IDN?') echo 'Invented,PA-3,0815,2.1' ;;
	'MEAS:POW?') echo '+1.98700E+02' ;;
	':NUM:NORM:VAL?') printf '230.10E+00,0.8733E+00,198.70E+00,9.91E+37\r\n' ;;
	'FETC:CURR?') echo '9.9E37' ;;
	'SYST:ERR?') echo "$error"; error='+0,"No error"' ;;
	'*CLS') error='+0,"No error"' ;;
	*) error='-113,"Undefined header"' ;;
	esac
done
