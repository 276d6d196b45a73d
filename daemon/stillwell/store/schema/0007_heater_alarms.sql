-- Two alarms have names that a keeper would use. What was kept under the old ones is found under them.
UPDATE transition SET alarm = 'heater.stuck-on' WHERE alarm = 'heater.without-end';
UPDATE transition SET alarm = 'heater.too-weak' WHERE alarm = 'heater.short-of-power';

UPDATE OR REPLACE alarm SET name = 'heater.stuck-on' WHERE name = 'heater.without-end';
UPDATE OR REPLACE alarm SET name = 'heater.too-weak' WHERE name = 'heater.short-of-power';

-- The key of a notice begins with its alarm: a repeat that has gone out is known by it.
UPDATE OR IGNORE notice SET
  subject = replace(subject, 'heater.without-end', 'heater.stuck-on'),
  key = replace(key, 'heater.without-end', 'heater.stuck-on')
WHERE subject = 'heater.without-end' OR key LIKE 'heater.without-end:%';
UPDATE OR IGNORE notice SET
  subject = replace(subject, 'heater.short-of-power', 'heater.too-weak'),
  key = replace(key, 'heater.short-of-power', 'heater.too-weak')
WHERE subject = 'heater.short-of-power' OR key LIKE 'heater.short-of-power:%';

UPDATE request SET
  subject = replace(replace(subject, 'heater.without-end', 'heater.stuck-on'),
    'heater.short-of-power', 'heater.too-weak'),
  alarms = replace(replace(alarms, 'heater.without-end', 'heater.stuck-on'),
    'heater.short-of-power', 'heater.too-weak')
WHERE subject || coalesce(alarms, '') LIKE '%heater.without-end%'
  OR subject || coalesce(alarms, '') LIKE '%heater.short-of-power%';

-- What the watch over the heater kept for its next run.
UPDATE meta SET value = replace(replace(value, 'heater.without-end', 'heater.stuck-on'),
  'heater.short-of-power', 'heater.too-weak')
WHERE value LIKE '%heater.without-end%' OR value LIKE '%heater.short-of-power%';
