// Package api declares, once, the JSON that the page, the socket, the commands
// and --json exchange; openapi.yaml of the page describes the same to strangers.
//
// Values are in canonical units (SI and °C); fields that end in _seconds are in
// seconds, _bytes in bytes. What is not known is null. A time is RFC 3339 in
// UTC, null while no clock knows it; an instant is the boot's number and the
// time since that boot, such as "3+1h2m3s". Texts are English sentences for
// people.
package api
