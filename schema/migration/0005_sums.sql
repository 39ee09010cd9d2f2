-- Every row that tells something carries a checksum of the rest of it (see
-- store/sum.go), so that damage which leaves a row readable is found. The
-- program fills in those of the rows that are here already.

ALTER TABLE settings ADD COLUMN sum INTEGER;
ALTER TABLE words ADD COLUMN sum INTEGER;
ALTER TABLE drivers ADD COLUMN sum INTEGER;
ALTER TABLE machines ADD COLUMN sum INTEGER;
ALTER TABLE specs ADD COLUMN sum INTEGER;
ALTER TABLE meters ADD COLUMN sum INTEGER;
ALTER TABLE runs ADD COLUMN sum INTEGER;
ALTER TABLE topups ADD COLUMN sum INTEGER;
ALTER TABLE refills ADD COLUMN sum INTEGER;
ALTER TABLE bleeds ADD COLUMN sum INTEGER;
ALTER TABLE levels ADD COLUMN sum INTEGER;
ALTER TABLE cleanings ADD COLUMN sum INTEGER;
ALTER TABLE overheats ADD COLUMN sum INTEGER;
ALTER TABLE checks ADD COLUMN sum INTEGER;
ALTER TABLE services ADD COLUMN sum INTEGER;
ALTER TABLE plans ADD COLUMN sum INTEGER;
ALTER TABLE answers ADD COLUMN sum INTEGER;
ALTER TABLE past ADD COLUMN sum INTEGER;
ALTER TABLE attachments ADD COLUMN sum INTEGER;
